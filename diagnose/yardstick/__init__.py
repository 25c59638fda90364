"""Yardsticks: what the trade would do on the same bikes. Never asked by a job."""
