"""Which suspects remain: likelihoods and posterior. Sees only the table and an injected predict."""
