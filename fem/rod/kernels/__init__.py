"""Compiled loops of the rod. They import only each other, shared pieces of contact and `fem.jit`."""
