"""One cross-section bent lengthwise: energy, moment and shape against curvature, fold moments and radius,
strain of the layers. The hand estimates, exact for a long uniform strip.
"""

__all__ = ["fold", "fold_model", "fold_strain", "moment_curvature", "summary"]
