"""What to do next: the abstract decision problem and its rule. Knows no motorcycle."""
