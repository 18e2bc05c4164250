"""Compiled pieces of contact: the faces of the strip at its contact points, penalty and friction laws.

A contact point lies at p = r + h n on the mid-surface: r and n come from the mid-line, h from the opening of
the section. Its derivatives are taken in the local unknowns (x, y, x', y', b_m) of a station;
`fem.rod.kernels.walls` and `fem.rod.kernels.self_contact` spread them to the unknowns of the elements.

A face lies an offset c from there, along the normal of the surface, which leans back by the slope h' of the
height: f = r + (h + c) n - c h' t (h' per length of mid-line at rest, in which it is stretched by some per
cent; h' itself is a tenth). Where a section is pressed flat, h' changes fast: the edge of a soft boom is
bent three times as sharply as its mid-line at the slot, and its face slides 5 % less far than one offset
along n. The slopes b_m' are then unknowns too.

(Derivation: n = (-y', x')/l; dn = -(n . dr') t / l, and once more for the second variation.)
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from fem.contact.kernels.laws import Pair
from fem.core.term import Array, Index
from fem.jit.decorators import compiled, inlined

Frame = tuple[float, float, float, float, float]
"""Mid-line at a station: x, y, unit tangent tx, ty, length of r'."""
Lies = tuple[float, float, float]
"""A face: height of its point, slope of that along s, offset from the point."""
Section = tuple[int, float]
"""Station whose section tables are meant, and how far [mm] along s from it."""


class PointTables(NamedTuple):
    """Contact points for the loops: n stations, k lines, m quadrature places across, M opening modes.

    nodes (N + 1,) [mm], dofs (N, 4 (2 + M)), first (N + 1,): first station of each element, element (n,),
    stations (n,) [mm], shape (n, 2, 4), area (n, k) [mm^2], angle (n, m) of the rest section and its slope
    along s, mode (n, m, M), to (n, k, m): quadrature weights that sum sin(angle) up to the height on a line;
    reach (n, m): the largest size of those among the lines.
    """

    nodes: Array
    dofs: Index
    first: Index
    element: Index
    stations: Array
    shape: Array
    area: Array
    angle: Array
    angle_s: Array
    mode: Array
    to: Array
    reach: Array


class Face(NamedTuple):
    """Section at a station: sine, cosine (m,) of its angle, height (k,), its derivatives first (k, M), second
    (k, M, M).
    """

    sine: Array
    cosine: Array
    height: Array
    first: Array
    second: Array


class Lean(NamedTuple):
    """How a section changes along s: slope (m,) of its angle; climb (k,), slope of the height; derivatives of
    one of these in the openings, first (M,), second (M, M). In the slopes of the openings it has those of the
    height.
    """

    slope: Array
    climb: Array
    first: Array
    second: Array


@inlined
def new_face(pt: PointTables) -> Face:
    """Work space for `read_face` and `face_rates`."""
    k, m, M = pt.to.shape[1], pt.to.shape[2], pt.mode.shape[2]
    return Face(np.zeros(m), np.zeros(m), np.zeros(k), np.zeros((k, M)), np.zeros((k, M, M)))


@inlined
def new_lean(pt: PointTables) -> Lean:
    """Work space for `read_climb` and `climb_rates`."""
    k, m, M = pt.to.shape[1], pt.to.shape[2], pt.mode.shape[2]
    return Lean(np.zeros(m), np.zeros(k), np.zeros(M), np.zeros((M, M)))


@inlined
def mid_point(u: Array, dofs: Index, shape: Array) -> Pair:
    """Place (x, y) of the mid-line; shape (2, 4)."""
    x, y = 0.0, 0.0
    for i in range(4):
        x += shape[0, i] * u[dofs[i]]
        y += shape[0, i] * u[dofs[4 + i]]
    return x, y


@inlined
def frame_at(u: Array, dofs: Index, shape: Array) -> Frame:
    """Place, unit tangent and length of r' of the mid-line."""
    x, y, dx, dy = 0.0, 0.0, 0.0, 0.0
    for i in range(4):
        x += shape[0, i] * u[dofs[i]]
        y += shape[0, i] * u[dofs[4 + i]]
        dx += shape[1, i] * u[dofs[i]]
        dy += shape[1, i] * u[dofs[4 + i]]
    length = np.sqrt(dx * dx + dy * dy)
    return x, y, dx / length, dy / length, length


@inlined
def read_face(u: Array, dofs: Index, shape: Array, pt: PointTables, at: Section, face: Face) -> None:
    """Heights on the lines of a section, opened as the given element and functions (2, 4) say."""
    read_angles(u, dofs, shape, pt, at, face)
    read_heights(pt, at[0], face)


@inlined
def read_angles(u: Array, dofs: Index, shape: Array, pt: PointTables, at: Section, face: Face) -> None:
    """Angles of a section (left in face.cosine), of which `most_height` and `read_heights` make heights."""
    p, ahead = at
    m, M = pt.to.shape[2], pt.mode.shape[2]
    for j in range(m):
        face.cosine[j] = pt.angle[p, j] + ahead * pt.angle_s[p, j]
    for a in range(M):
        opening = 0.0
        for i in range(4):
            opening += shape[0, i] * u[dofs[8 + 4 * a + i]]
        for j in range(m):
            face.cosine[j] += opening * pt.mode[p, j, a]


@inlined
def read_heights(pt: PointTables, p: int, face: Face) -> None:
    """Heights on the lines of a section whose angles stand in face.cosine, and their sines and cosines."""
    k, m = pt.to.shape[1], pt.to.shape[2]
    face.height[:] = 0.0
    for j in range(m):
        phi = face.cosine[j]
        face.sine[j], face.cosine[j] = np.sin(phi), np.cos(phi)
        for line in range(k):
            face.height[line] += pt.to[p, line, j] * face.sine[j]


@inlined
def read_climb(
    u: Array, dofs: Index, shape: Array, pt: PointTables, p: int, cosine: Array, lean: Lean
) -> None:
    """Slopes of the heights along s, of a section whose cosines (m,) are there."""
    k, m, M = pt.to.shape[1], pt.to.shape[2], pt.mode.shape[2]
    slope, climb = lean.slope, lean.climb
    for j in range(m):
        slope[j] = pt.angle_s[p, j]
    for a in range(M):
        rate = 0.0
        for i in range(4):
            rate += shape[1, i] * u[dofs[8 + 4 * a + i]]
        for j in range(m):
            slope[j] += rate * pt.mode[p, j, a]
    climb[:] = 0.0
    for j in range(m):
        for line in range(k):
            climb[line] += pt.to[p, line, j] * cosine[j] * slope[j]


@inlined
def climb_rates(
    pt: PointTables,
    p: int,
    line: int,
    order: int,
    angle: tuple[Array, Array, Array],
    rates: tuple[Array, Array],
) -> None:
    """First (order 1, (M,)) and second (order 2, (M, M)) derivatives of the slope on one line in the opening
    amplitudes into rates; angle: sine, cosine and slope (m,) of the section's angle.
    """
    M, (sine, cosine, slope), (first, second) = pt.mode.shape[2], angle, rates
    first[:] = 0.0
    second[:, :] = 0.0
    for j in range(pt.to.shape[2]):
        weight = pt.to[p, line, j] * slope[j]
        for a in range(M):
            mode = pt.mode[p, j, a]
            first[a] -= weight * sine[j] * mode
            if order > 1:
                part = weight * cosine[j] * mode
                for b in range(M):
                    second[a, b] -= part * pt.mode[p, j, b]


@inlined
def most_height(pt: PointTables, p: int, face: Face) -> float:
    """A bound above the size of the heights that `read_heights` finds, which costs little: no sine is larger
    than its angle.
    """
    total = 0.0
    for j in range(pt.reach.shape[1]):
        total += pt.reach[p, j] * min(abs(face.cosine[j]), 1.0)
    return total


@inlined
def face_rates(pt: PointTables, p: int, order: int, face: Face) -> None:
    """First (order 1) and second (order 2) derivatives of the heights in the opening amplitudes."""
    k, m, M = pt.to.shape[1], pt.to.shape[2], pt.mode.shape[2]
    face.first[:, :] = 0.0
    face.second[:, :, :] = 0.0
    for line in range(k):
        for j in range(m):
            weight = pt.to[p, line, j]
            for a in range(M):
                face.first[line, a] += weight * face.cosine[j] * pt.mode[p, j, a]
                if order > 1:
                    part = weight * face.sine[j] * pt.mode[p, j, a]
                    for b in range(M):
                        face.second[line, a, b] -= part * pt.mode[p, j, b]


@inlined
def point_first(g: Pair, H: float, at: Frame, rates: Array, out: Array) -> None:
    """Row g . dp into out (4 + M,), p = r + H n(r'), local unknowns (x, y, x', y', b_m); rates (M,) of H."""
    _, _, tx, ty, length = at
    gn, gt = g[1] * tx - g[0] * ty, g[0] * tx + g[1] * ty
    out[0], out[1] = g
    out[2], out[3] = H * gt * ty / length, -H * gt * tx / length
    for a in range(rates.shape[0]):
        out[4 + a] = rates[a] * gn


@inlined
def point_second(g: Pair, H: float, at: Frame, rates: Array, second: Array, out: Array) -> None:
    """Add g . d2p to out (4 + M, 4 + M) for p = r + H n(r'); rates (M,), second (M, M) of H."""
    _, _, tx, ty, length = at
    nx, ny = -ty, tx
    gn, gt = g[0] * nx + g[1] * ny, g[0] * tx + g[1] * ty
    l2 = length * length
    h0, h1 = nx / length, ny / length
    out[2, 2] += H * (-gn * h0 * h0 + gt * 2.0 * tx * nx / l2)
    mixed = H * (-gn * h0 * h1 + gt * (tx * ny + nx * ty) / l2)
    out[2, 3] += mixed
    out[3, 2] += mixed
    out[3, 3] += H * (-gn * h1 * h1 + gt * 2.0 * ty * ny / l2)
    for a in range(rates.shape[0]):
        out[2, 4 + a] -= rates[a] * gt * h0
        out[4 + a, 2] -= rates[a] * gt * h0
        out[3, 4 + a] -= rates[a] * gt * h1
        out[4 + a, 3] -= rates[a] * gt * h1
        for b in range(rates.shape[0]):
            out[4 + a, 4 + b] += gn * second[a, b]


@inlined
def face_first(g: Pair, lies: Lies, at: Frame, first: Array, climb_first: Array, out: Array) -> None:
    """Row g . df into out (4 + 2 M,) of a face, local unknowns (x, y, x', y', b_m, b_m'); first, climb_first
    (M,): derivatives of its height and of the slope of that in b_m.
    """
    _, _, tx, ty, length = at
    height, climb, c = lies
    M = first.shape[0]
    gn, gt = g[1] * tx - g[0] * ty, g[0] * tx + g[1] * ty
    turned = ((height + c) * gt + c * climb * gn) / length
    out[0], out[1] = g
    out[2], out[3] = turned * ty, -turned * tx
    for a in range(M):
        out[4 + a] = first[a] * gn - c * climb_first[a] * gt
        out[4 + M + a] = -c * first[a] * gt


@inlined
def face_second(
    g: Pair, lies: Lies, at: Frame, first: tuple[Array, Array], second: tuple[Array, Array], out: Array
) -> None:
    """Add g . d2f to out (4 + 2 M, 4 + 2 M) of a face; first (M,), second (M, M): derivatives in b_m of its
    height and of the slope of that.
    """
    _, _, tx, ty, length = at
    height, climb, c = lies
    M = first[0].shape[0]
    nx, ny = -ty, tx
    gn, gt = g[0] * nx + g[1] * ny, g[0] * tx + g[1] * ty
    H, T = height + c, -c * climb
    along, turned = H * gn + T * gt, H * gt - T * gn
    l2 = length * length
    h0, h1 = nx / length, ny / length
    out[2, 2] += -along * h0 * h0 + turned * 2.0 * tx * nx / l2
    mixed = -along * h0 * h1 + turned * (tx * ny + nx * ty) / l2
    out[2, 3] += mixed
    out[3, 2] += mixed
    out[3, 3] += -along * h1 * h1 + turned * 2.0 * ty * ny / l2
    for a in range(M):
        opened = -first[0][a] * gt - c * first[1][a] * gn
        leant = -c * first[0][a] * gn
        for b in range(2):
            h = h0 if b == 0 else h1
            out[2 + b, 4 + a] += opened * h
            out[4 + a, 2 + b] += opened * h
            out[2 + b, 4 + M + a] += leant * h
            out[4 + M + a, 2 + b] += leant * h
        for b in range(M):
            out[4 + a, 4 + b] += gn * second[0][a, b] - c * gt * second[1][a, b]
            out[4 + a, 4 + M + b] -= c * gt * second[0][a, b]
            out[4 + M + b, 4 + a] -= c * gt * second[0][a, b]


@inlined
def add_square(scale: float, left: Array, right: Array, out: Array) -> None:
    """Add scale * left right^T to out."""
    add_product(scale, left, right, left.shape[0], right.shape[0], out)


@inlined
def add_product(scale: float, left: Array, right: Array, rows: int, columns: int, out: Array) -> None:
    """The same for the first entries of both; the others are nothing."""
    for a in range(rows):
        part = scale * left[a]
        for b in range(columns):
            out[a, b] += part * right[b]


@inlined
def local_place(a: int, modes: int) -> tuple[int, int]:
    """Field and derivative of local unknown a of (x, y, x', y', b_m, b_m')."""
    if a < 2:
        return a, 0
    if a < 4:
        return a - 2, 1
    if a < 4 + modes:
        return a - 2, 0
    return a - 2 - modes, 1


@inlined
def highest_point(face: Face) -> float:
    """Largest distance of a contact point from the mid-line."""
    highest = 0.0
    for line in range(face.height.shape[0]):
        highest = max(highest, abs(face.height[line]))
    return highest


@compiled
def wall_shares(u: Array, pt: PointTables, roundings: Array, rule: tuple[float, float, int]) -> Array:
    """(n,): share of its length, times `split`, that each station stands for; rule: near, fade, split.

    1 at stations nearer to a spot (m, 3: place, radius) than its radius and `near`; farther out than that and
    `fade`, `split` for the middle one of as many and 0 for the others.
    """
    near, fade, split = rule
    out = np.empty(pt.stations.shape[0])
    for p in range(out.shape[0]):
        x, y = mid_point(u, pt.dofs[pt.element[p]], pt.shape[p])
        least = 1e30
        for m in range(roundings.shape[0]):
            away = np.sqrt((x - roundings[m, 0]) ** 2 + (y - roundings[m, 1]) ** 2)
            least = min(least, away - roundings[m, 2])
        fine = min(1.0, max(0.0, 1.0 - (least - near) / fade))
        middle = (p - pt.first[pt.element[p]]) % split == split // 2
        out[p] = fine + (1.0 - fine) * split if middle else fine
    return out


@compiled
def wall_places(u: Array, pt: PointTables) -> Array:
    """(n, k, 6): mid-line x, y, normal nx, ny, height h and its slope h' of every contact point (both where
    it counts).
    """
    n, k = pt.area.shape
    out = np.empty((n, k, 6))
    face, lean = new_face(pt), new_lean(pt)
    for p in range(n):
        dofs = pt.dofs[pt.element[p]]
        x, y, tx, ty, _ = frame_at(u, dofs, pt.shape[p])
        if pt.area[p, 0] > 0.0:
            read_face(u, dofs, pt.shape[p], pt, (p, 0.0), face)
            read_climb(u, dofs, pt.shape[p], pt, p, face.cosine, lean)
        for line in range(k):
            out[p, line, 0], out[p, line, 1], out[p, line, 2], out[p, line, 3] = x, y, -ty, tx
            out[p, line, 4], out[p, line, 5] = face.height[line], lean.climb[line]
    return out
