"""The job in words: intake, steps, answers, advice, proof."""
