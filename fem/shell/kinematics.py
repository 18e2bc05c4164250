"""Strains of a Kirchhoff-Love surface and their first and second variations, in plain numpy.

Position x(p1, p2) has first derivatives a_1, a_2 and second ones x_11, x_22, x_12; n is the unit normal along
a_1 x a_2. Membrane strain e_ab = (a_ab - A_ab)/2 and change of curvature k_ab = B_ab - b_ab, b_ab = x_ab . n;
the strain at height z along n is e + z k. This is the readable form of the compiled loops and their
reference.

Second variation of b, with a^c the contravariant vectors and G^c_ab = x_ab . a^c:
d2 b_ab = - dx_ab . a^c (n . Da_c) - (D <-> d) - b_ab a^cd (n . da_c)(n . Da_d)
          + G^d_ab [(n . da_c)(a^c . Da_d) + (D <-> d)],
from dn = -a^c (n . da_c) and Da^c = -(a^c . Da_d) a^d + a^cd (n . Da_d) n.
Thin-shell strains: Koiter 1966 (Proc. K. Ned. Akad. Wet. B 69:1); the rotation-free form: Kiendl, Bletzinger,
Linhard & Wuchner 2009 (Comput. Methods Appl. Mech. Engng 198:3902); from memory, derived here again.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fem.core.term import Array

TWO = np.array([1.0, 1.0, 2.0])  # engineering factor of the rows 11, 22, 12


@dataclass(frozen=True)
class Frame:
    """At points (...): vectors (..., 5, 3) = a1, a2, x11, x22, x12; normal (..., 3); dual (..., 2, 3); gamma
    (..., 3, 2) Christoffel symbols of the rows 11, 22, 12; b (..., 3); metric (..., 3) = a11, a22, a12.
    """

    vectors: Array
    normal: Array
    dual: Array
    gamma: Array
    b: Array
    metric: Array


def frame(vectors: Array) -> Frame:
    """Geometry of the surface from the five derivative vectors (..., 5, 3)."""
    a1, a2, second = vectors[..., 0, :], vectors[..., 1, :], vectors[..., 2:, :]
    normal = np.cross(a1, a2)
    area = np.linalg.norm(normal, axis=-1, keepdims=True)
    normal = normal / area
    a11, a22, a12 = (a1**2).sum(-1), (a2**2).sum(-1), (a1 * a2).sum(-1)
    dual = (
        np.stack(
            [a22[..., None] * a1 - a12[..., None] * a2, a11[..., None] * a2 - a12[..., None] * a1], axis=-2
        )
        / area[..., None] ** 2
    )
    gamma = np.einsum("...rc,...ac->...ra", second, dual)
    b = np.einsum("...rc,...c->...r", second, normal)
    return Frame(vectors, normal, dual, gamma, b, np.stack([a11, a22, a12], axis=-1))


def strains(at: Frame, rest: Array) -> Array:
    """(..., 6): e11, e22, 2 e12, k11, k22, 2 k12; rest (..., 6) = A11, A22, A12, B11, B22, B12."""
    membrane = 0.5 * TWO * (at.metric - rest[..., :3])
    return np.concatenate([membrane, TWO * (rest[..., 3:] - at.b)], axis=-1)


def first_variation(at: Frame) -> Array:
    """(..., 6, 5, 3): derivative of the six strains with respect to the five vectors."""
    result = np.zeros((*at.b.shape[:-1], 6, 5, 3))
    a1, a2 = at.vectors[..., 0, :], at.vectors[..., 1, :]
    result[..., 0, 0, :], result[..., 1, 1, :] = a1, a2
    result[..., 2, 0, :], result[..., 2, 1, :] = a2, a1
    for r in range(3):
        result[..., 3 + r, 2 + r, :] = -TWO[r] * at.normal
        for a in range(2):
            result[..., 3 + r, a, :] = TWO[r] * at.gamma[..., r, a, None] * at.normal
    return result


def second_variation(at: Frame, stress: Array) -> Array:
    """(..., 5, 3, 5, 3): sum of stress (..., 6) times the second derivative of the strains."""
    result = np.zeros((*at.b.shape[:-1], 5, 3, 5, 3))
    n, dual, gamma = at.normal, at.dual, at.gamma
    eye = np.eye(3)
    for a, q, r in ((0, 0, 0), (1, 1, 1), (0, 1, 2), (1, 0, 2)):
        result[..., a, :, q, :] += stress[..., r, None, None] * eye
    moment = TWO * stress[..., 3:]
    turn = np.einsum("...r,...ra->...a", moment, gamma)
    level = np.einsum("...r,...r->...", moment, at.b)
    contra = np.einsum("...ac,...bc->...ab", dual, dual)
    nn = n[..., :, None] * n[..., None, :]
    for a in range(2):
        for q in range(2):
            block = (level * contra[..., a, q])[..., None, None] * nn
            block = block - turn[..., q, None, None] * n[..., :, None] * dual[..., a, None, :]
            block = block - turn[..., a, None, None] * dual[..., q, :, None] * n[..., None, :]
            result[..., a, :, q, :] += block
    for r in range(3):
        for a in range(2):
            side = moment[..., r, None, None] * dual[..., a, :, None] * n[..., None, :]
            result[..., 2 + r, :, a, :] += side
            result[..., a, :, 2 + r, :] += np.swapaxes(side, -1, -2)
    return result


def rest_state(at: Frame) -> Array:
    """(..., 6) = A11, A22, A12, B11, B22, B12 of an unstrained surface."""
    return np.concatenate([at.metric, at.b], axis=-1)


def local_axes(at: Frame, direction: Array | None = None) -> Array:
    """(..., 3, 3) T with (strain in orthonormal axes) = T (strain in parameters), both as 11, 22, 2*12.

    Axis 1 is along a_1, or along direction (..., 2) in parameters; axis 2 is in the surface at a right angle
    to it, toward a_2.
    """
    e1 = at.vectors[..., 0, :]
    if direction is not None:
        e1 = direction[..., 0, None] * e1 + direction[..., 1, None] * at.vectors[..., 1, :]
    e1 = e1 / np.linalg.norm(e1, axis=-1, keepdims=True)
    e2 = np.cross(at.normal, e1)
    g = np.empty((*at.b.shape[:-1], 2, 2))  # g[a, i] = a^a . e_i
    for a in range(2):
        g[..., a, 0] = (at.dual[..., a, :] * e1).sum(-1)
        g[..., a, 1] = (at.dual[..., a, :] * e2).sum(-1)
    t = np.empty((*at.b.shape[:-1], 3, 3))
    for row, (i, j) in enumerate(((0, 0), (1, 1), (0, 1))):
        t[..., row, 0] = g[..., 0, i] * g[..., 0, j]
        t[..., row, 1] = g[..., 1, i] * g[..., 1, j]
        t[..., row, 2] = 0.5 * (g[..., 0, i] * g[..., 1, j] + g[..., 1, i] * g[..., 0, j])
    t[..., 2, :] *= 2.0
    return t
