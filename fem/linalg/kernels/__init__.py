"""Compiled pieces of factors in dense blocks."""
