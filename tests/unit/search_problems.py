"""Published problems with constraints for a search of few evaluations, each with its source and best value.

Formulas and values are from memory of the works named; every optimum below is checked by a test against its
own point or by the constraints being met there.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.float64]


@dataclass(frozen=True)
class Problem:
    """Least `cost(x)` with all of `bounds(x)` <= 0. best: best known cost, at the point `at`.

    step: of each variable, 0 where it is continuous.
    """

    name: str
    source: str
    low: tuple[float, ...]
    high: tuple[float, ...]
    evaluate: Callable[[Values], tuple[float, Values]]
    best: float
    at: tuple[float, ...]
    step: tuple[float, ...] = ()


def _gramacy(x: Values) -> tuple[float, Values]:
    wave = 1.5 - x[0] - 2.0 * x[1] - 0.5 * math.sin(2.0 * math.pi * (x[0] ** 2 - 2.0 * x[1]))
    return float(x[0] + x[1]), np.array([wave, x[0] ** 2 + x[1] ** 2 - 1.5])


def _g04(x: Values) -> tuple[float, Values]:
    a, b, c, d, e = x
    u = 85.334407 + 0.0056858 * b * e + 0.0006262 * a * d - 0.0022053 * c * e
    v = 80.51249 + 0.0071317 * b * e + 0.0029955 * a * b + 0.0021813 * c**2
    w = 9.300961 + 0.0047026 * c * e + 0.0012547 * a * c + 0.0019085 * c * d
    cost = 5.3578547 * c**2 + 0.8356891 * a * e + 37.293239 * a - 40792.141
    return float(cost), np.array([u - 92.0, -u, v - 110.0, 90.0 - v, w - 25.0, 20.0 - w])


def _g06(x: Values) -> tuple[float, Values]:
    cost = (x[0] - 10.0) ** 3 + (x[1] - 20.0) ** 3
    inner = -((x[0] - 5.0) ** 2) - (x[1] - 5.0) ** 2 + 100.0
    return float(cost), np.array([inner, (x[0] - 6.0) ** 2 + (x[1] - 5.0) ** 2 - 82.81])


def _spring(x: Values) -> tuple[float, Values]:
    d, coil, turns = x
    bounds = [
        1.0 - coil**3 * turns / (71785.0 * d**4),
        (4.0 * coil**2 - d * coil) / (12566.0 * (coil * d**3 - d**4)) + 1.0 / (5108.0 * d**2) - 1.0,
        1.0 - 140.45 * d / (coil**2 * turns),
        (d + coil) / 1.5 - 1.0,
    ]
    return float((turns + 2.0) * coil * d**2), np.array(bounds)


def _beam(x: Values) -> tuple[float, Values]:
    h, length, t, b = x
    load, span, young, shear = 6000.0, 14.0, 30e6, 12e6
    moment = load * (span + 0.5 * length)
    reach = math.sqrt(0.25 * length**2 + (0.5 * (h + t)) ** 2)
    polar = 2.0 * math.sqrt(2.0) * h * length * (length**2 / 12.0 + (0.5 * (h + t)) ** 2)
    direct, turned = load / (math.sqrt(2.0) * h * length), moment * reach / polar
    tau = math.sqrt(direct**2 + direct * turned * length / reach + turned**2)
    sigma, sag = 6.0 * load * span / (b * t**2), 4.0 * load * span**3 / (young * t**3 * b)
    critical = (
        4.013 * young * math.sqrt(t**2 * b**6 / 36.0) / span**2
        * (1.0 - t / (2.0 * span) * math.sqrt(young / (4.0 * shear)))
    )  # fmt: skip
    cost = 1.10471 * h**2 * length + 0.04811 * t * b * (14.0 + length)
    bounds = [
        tau / 13600.0 - 1.0, sigma / 30000.0 - 1.0, h - b,
        0.10471 * h**2 + 0.04811 * t * b * (14.0 + length) - 5.0,
        0.125 - h, sag / 0.25 - 1.0, 1.0 - critical / load,
    ]  # fmt: skip
    return float(cost), np.array(bounds)


def _vessel(x: Values) -> tuple[float, Values]:
    shell, head, radius, length = x
    cost = (
        0.6224 * shell * radius * length + 1.7781 * head * radius**2
        + 3.1661 * shell**2 * length + 19.84 * shell**2 * radius
    )  # fmt: skip
    volume = math.pi * radius**2 * length + 4.0 / 3.0 * math.pi * radius**3
    bounds = [
        0.0193 * radius - shell,
        0.00954 * radius - head,
        1.0 - volume / 1296000.0,
        length / 240.0 - 1.0,
    ]
    return float(cost), np.array(bounds)


def _reducer(x: Values) -> tuple[float, Values]:
    a, m, z, p, q, d, e = x
    cost = (
        0.7854 * a * m**2 * (3.3333 * z**2 + 14.9334 * z - 43.0934) - 1.508 * a * (d**2 + e**2)
        + 7.4777 * (d**3 + e**3) + 0.7854 * (p * d**2 + q * e**2)
    )  # fmt: skip
    first = math.sqrt((745.0 * p / (m * z)) ** 2 + 16.9e6) / (110.0 * d**3)
    second = math.sqrt((745.0 * q / (m * z)) ** 2 + 157.5e6) / (85.0 * e**3)
    bounds = [
        27.0 / (a * m**2 * z) - 1.0, 397.5 / (a * m**2 * z**2) - 1.0, 1.93 * p**3 / (m * z * d**4) - 1.0,
        1.93 * q**3 / (m * z * e**4) - 1.0, first - 1.0, second - 1.0, m * z / 40.0 - 1.0, 5.0 * m / a - 1.0,
        a / (12.0 * m) - 1.0, (1.5 * d + 1.9) / p - 1.0, (1.1 * e + 1.9) / q - 1.0,
    ]  # fmt: skip
    return float(cost), np.array(bounds)


PROBLEMS: dict[str, Problem] = {
    problem.name: problem
    for problem in (
        Problem(
            "toy", "Gramacy et al. 2016, Technometrics 58:1, eq. (7)", (0.0, 0.0), (1.0, 1.0), _gramacy,
            0.5998, (0.1954, 0.4044),
        ),
        Problem(
            "g04", "Himmelblau 1972; g04 of Liang et al. 2006, CEC special session",
            (78.0, 33.0, 27.0, 27.0, 27.0), (102.0, 45.0, 45.0, 45.0, 45.0), _g04, -30665.539,
            (78.0, 33.0, 29.995256025682, 45.0, 36.775812905788),
        ),
        Problem(
            "g06", "Floundas & Pardalos 1987; g06 of Liang et al. 2006, CEC special session",
            (13.0, 0.0), (100.0, 100.0), _g06, -6961.81388, (14.095, 0.84296079),
        ),
        Problem(
            "spring", "Belegundu 1982, tension spring; as in Coello 2000, Computers in Industry 41:113",
            (0.05, 0.25, 2.0), (2.0, 1.3, 15.0), _spring, 0.012665, (0.051689, 0.356718, 11.288966),
        ),
        Problem(
            "beam", "Ragsdell & Phillips 1976, welded beam; as in Coello 2000, Computers in Industry 41:113",
            (0.1, 0.1, 0.1, 0.1), (2.0, 10.0, 10.0, 2.0), _beam, 1.724852,
            (0.205730, 3.470489, 9.036624, 0.205730),
        ),
        Problem(
            "vessel", "Kannan & Kramer 1994, pressure vessel of plate in sixteenths of an inch",
            (0.0625, 0.0625, 10.0, 10.0), (6.1875, 6.1875, 200.0, 200.0), _vessel, 6059.714,
            (0.8125, 0.4375, 42.098446, 176.636596), (0.0625, 0.0625, 0.0, 0.0),
        ),
        Problem(
            "reducer", "Golinski 1970, speed reducer; best of Mezura-Montes & Coello 2005",
            (2.6, 0.7, 17.0, 7.3, 7.3, 2.9, 5.0), (3.6, 0.8, 28.0, 8.3, 8.3, 3.9, 5.5), _reducer, 2994.471,
            (3.5, 0.7, 17.0, 7.3, 7.715320, 3.350215, 5.286654), (0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0),
        ),
    )
}  # fmt: skip
