"""A troubleshooting expert system for motorcycle electrics."""
