"""A bike that is not listed, made from a few answers: questions, the likeliest answers, the bike file."""
