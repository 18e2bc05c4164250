"""States of a run for other programs: solids to print, surfaces with their fields; meshes of the cases."""

__all__ = ["export"]
