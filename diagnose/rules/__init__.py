"""Rules that judge safety and sense, never probabilities: facts in, firings out."""
