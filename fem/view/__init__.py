"""A result seen in 3-D and as curves: still, film, window."""
