"""How much a job suffers when what it believes is wrong: `python -m diagnose.robust`."""
