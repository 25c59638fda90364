"""Benchmarks of the choice by command: `python -m diagnose.choice.bench families|noisy|speed|network`."""
