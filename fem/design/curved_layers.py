"""Layers of a sheet that is curved by nature: strain and stiffness through the thickness.

A fibre at height z (toward the axle) of a sheet whose natural curvature along it is K (> 0 toward the axle)
has by nature a length of 1 - z K times that of the mid-surface; whatever strains it is shared out over that.
Thin shells leave this out, which makes a bend of radius R and thickness t too soft by (t/R)^2 / 7 and puts
the strain at its faces wrong by t / (2 R).

Derivation. Kirchhoff-Love: x(z) = x + z n, so the metric at height z is g = a - 2 z b + z^2 c with the first,
second and third fundamental forms of the mid-surface (c = b a^-1 b). With e = (a - A)/2, k = B - b (n toward
the axle; A, B, C at rest) the strain at height z in convected axes is

    (g - G)/2 = e + z k + z^2 (c - C)/2,    c - C = -(K k + k K) - 2 K e K     to first order in e and k,

K = B in orthonormal axes, and lengths there are those on the mid-surface times I - z K. Along lines of
curvature (K_s, K_q), components in axes of length one at height z:

    e_s(z)    = ((1 + z K_s) e_s + z k_s) / (1 - z K_s),    the same with q,
    2e_sq(z)  = ((1 - z^2 K_s K_q) 2e_sq + z (1 - z (K_s + K_q)/2) 2k_sq) / ((1 - z K_s)(1 - z K_q))

linear in (e, k), so energy per area of the mid-surface, with the volume (1 - z K_s)(1 - z K_q) dz, has
constant matrices A, B, D again. In a bend k + K e = -d(change of heading)/ds, and the first line is the
strain of Winkler's curved bar, (e + z (k + K e)) / (1 - z K). Without axial force the stiffness of one layer
is D - B^2 / A in those terms, Winkler's E A c R with c the distance of its neutral line from the middle
(Timoshenko, Strength of Materials II, from memory). I - z K is known as the shifter of shell theory (from
memory); the formulas above are our own derivation, and tests integrate the geometry itself.

Left out: products of strains, z k e among them, in bends as in straight strips. The curvature of a coil is a
deformation; its strain counts per length of the natural fibre. Near the natural shape nothing is lost. In a
bend that is straightened altogether the energy is (t / 2R)^2 too small (.8 % at R = 5.5 t, 4 % at 2.5 t) and
the strain at the inner face t / (5 R) of itself (4 %, 9 %); at such strains, t / (2 R), an engineer's,
Green's and the logarithmic strain differ as much, and no material is linear in all of them. A section that is
pressed flat is right in rod and section model, whose measure across is the turn of the section; in the shell
it loses (t / 2R)^2 too. Left out too: natural curvature and twist that a taper adds to those of path and
section; that layers farther from the centre of a bend have more mass; transverse shear and the squeeze
through the thickness.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fem.core.errors import InputError
from fem.core.term import Array
from fem.design.material import laminate

POINTS = 8
"""Gauss points through a layer: 1e-12 of its stiffness at a radius of 1.5 thicknesses, 1e-6 at .7."""


def strain_at(strains: Array, curvature: Array, z: float | Array) -> Array:
    """Strain (..., 3) = (s, q, sq) at height z [mm] of strains (..., 6) = (e, k) and natural curvatures
    (..., 2) = (K_s, K_q) [1/mm]; z of any shape that broadcasts with (...).
    """
    part = z * curvature[..., 0], z * curvature[..., 1]
    normal = [
        (strains[..., i] + z * (curvature[..., i] * strains[..., i] + strains[..., 3 + i])) / (1.0 - part[i])
        for i in (0, 1)
    ]
    shear = strains[..., 2] * (1.0 - part[0] * part[1])
    shear = shear + z * strains[..., 5] * (1.0 - 0.5 * (part[0] + part[1]))
    return np.stack([*normal, shear / ((1.0 - part[0]) * (1.0 - part[1]))], axis=-1)


def strain_factors(curvature: Array, z: Array) -> tuple[Array, Array]:
    """Factors (..., 6) with strain = factors[:3] e + factors[3:] k at heights z (...) [mm], and the volume
    per area of the mid-surface (...) there, for natural curvatures (..., 2).
    """
    along, across = z * curvature[..., 0], z * curvature[..., 1]
    volume = (1.0 - along) * (1.0 - across)
    factors = (
        (1.0 + along) / (1.0 - along),
        (1.0 + across) / (1.0 - across),
        (1.0 - along * across) / volume,
        z / (1.0 - along),
        z / (1.0 - across),
        z * (1.0 - 0.5 * (along + across)) / volume,
    )
    return np.stack(factors, axis=-1), volume


def curved_laminate(
    z_edges: Sequence[float] | Array, stiffnesses: Sequence[Array] | Array, curvature: Array
) -> Array:
    """Stiffness (..., 6, 6) = [[A, B], [B, D]] about z = 0 for (e, k), per area of the mid-surface.

    z_edges (n + 1,) [mm], stiffnesses (n, 3, 3) [MPa], natural curvatures (..., 2) = (K_s, K_q) [1/mm]; where
    both are zero the digits are those of `laminate`. Raises InputError where the sheet reaches the centre of
    its natural curvature.
    """
    edges = np.asarray(z_edges, dtype=float)
    plane = laminate(edges, stiffnesses).abd
    result = np.broadcast_to(plane, (*curvature.shape[:-1], 6, 6)).copy()
    curved = np.any(curvature != 0.0, axis=-1)
    own = curvature[curved]
    if not own.size:
        return result
    _refuse_folded(edges, own)
    node, weight = np.polynomial.legendre.leggauss(POINTS)
    total = np.zeros((len(own), 6, 6))
    for low, high, stiffness in zip(edges[:-1], edges[1:], stiffnesses, strict=True):
        z = 0.5 * (low + high) + 0.5 * (high - low) * node
        factors, volume = strain_factors(own[:, None], z)
        weighted = factors * (0.5 * (high - low) * weight * volume)[..., None]
        total += np.swapaxes(weighted, 1, 2) @ factors * np.tile(stiffness, (2, 2))
    result[curved] = total
    return result


def _refuse_folded(z_edges: Array, curvature: Array) -> None:
    """Every height is on the near side of the centre of curvature."""
    least = 1.0 - np.max(curvature[..., None] * z_edges[[0, -1]], axis=-1)
    if least.min() <= 0.0:
        tightest = 1.0 / float(np.abs(curvature[least <= 0.0]).max())
        raise InputError(
            f"the strip is by nature bent to a radius of {tightest:.3g} mm, less than its thickness "
            f"({z_edges[-1] - z_edges[0]:g} mm) leaves room for; make the bend or the section wider, or the "
            "strip thinner"
        )


def with_turn_across(abd: Array, curvature: Array) -> Array:
    """The stiffness (..., 6, 6) for -(change of the section angle's slope) in place of k_q, K_q (...) [1/mm].

    Models that keep the width's length know the section's angle phi(q), not k_q: d(phi)/dq is curvature per
    length at rest, k_q = -change of it - K_q e_q. Which of the two is kept when e_q is set free (no force
    across) is worth (t/R)^2 / 12.
    """
    own = curvature[..., None]
    result = np.array(abd)
    result[..., 1, :] -= own * abd[..., 4, :]
    result[..., :, 1] -= own * result[..., :, 4]
    return result
