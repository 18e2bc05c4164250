"""Element sizes along the rod of a case: fine where it bends sharply."""

from __future__ import annotations

from fem.case.definition import Case
from fem.mesh.clamp_layer import clamp_zones, clear_stations
from fem.mesh.line_mesh import SizeField, Zone


def size_field(case: Case, refine: float, clamps: tuple[float, ...] = ()) -> SizeField:
    """Longest element along the strip: fine on the root, at the slot, in bends, finer still next to rigid
    clamps at stations [mm]; `refine` > 1 divides all sizes but these.
    """
    st, strip = case.settings, case.strip
    fine, largest = st.element_fine / refine, st.element / refine
    zones = [Zone(0.0, case.slot_mouth, fine)]
    zones += [Zone(mark.start, mark.end, fine) for mark in strip.path.bends]
    zones += clamp_zones(strip, clamps, fine)
    edges = (float(s) for s in strip.zone_edges_s() if 0 < s < strip.length)
    return SizeField(largest, tuple(zones), nodes=(*edges, *clear_stations(strip, clamps)))
