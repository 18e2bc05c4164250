"""How loops are compiled, where they are kept, and the pieces that compiled loops share."""

__all__ = ["allocator", "array_ops", "cache", "decorators", "simd"]
