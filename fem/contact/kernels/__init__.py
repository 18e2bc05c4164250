"""Compiled pieces of contact that both models take in."""
