"""Stations along a strip through the mesh generator, and the finite elements: cubic Hermite lines, bicubic
rectangles.
"""
