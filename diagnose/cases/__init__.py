"""Cases: jobs whose hidden faults are known, with what must come out of them."""
