"""Prove a new, altered or crashed loom before and while power goes on."""
