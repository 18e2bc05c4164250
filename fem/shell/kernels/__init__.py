"""Compiled loops of the shell. They import only each other, shared pieces of contact and `fem.jit`."""
