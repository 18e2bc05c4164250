"""Four numbers at once against numpy's one by one."""

import numpy as np
import pytest
from numba import njit

from fem.jit.simd import LANES, add, in_lanes, lane_sum, put, splat, take, vec_sqrt


@njit
def _each_sign(a, b, x, out):
    """Every operation once; a, b (2, LANES), x a number, out (9, 1, LANES)."""
    left, right = take(a, (1,)), take(b, (0,))
    put(out, (0, 0), left + right)
    put(out, (1, 0), left - x)
    put(out, (2, 0), x * right)
    put(out, (3, 0), left / right)
    put(out, (4, 0), vec_sqrt(right))
    put(out, (5, 0), splat(x))
    total = splat(0.0)
    for i in range(2):
        total += take(a, (i,))
    put(out, (6, 0), total)
    for i in range(2):
        total -= take(a, (i,)) * take(b, (i,))
    put(out, (7, 0), total)
    add(out, (8, 0), x / left)
    return lane_sum(left)


@pytest.mark.parametrize("how", [_each_sign, _each_sign.py_func], ids=["compiled", "python"])
def test_every_operation_acts_on_each_lane(how):
    random = np.random.default_rng(3)
    a, b = random.normal(size=(2, LANES)), random.uniform(0.5, 2.0, (2, LANES))
    out = np.zeros((9, 1, LANES))
    out[8] = 7.0
    total = how(a, b, 1.7, out)
    wanted = [
        a[1] + b[0],
        a[1] - 1.7,
        1.7 * b[0],
        a[1] / b[0],
        np.sqrt(b[0]),
        np.full(LANES, 1.7),
        a.sum(axis=0),
        a.sum(axis=0) - (a * b).sum(axis=0),
        7.0 + 1.7 / a[1],
    ]
    np.testing.assert_allclose(out[:, 0], wanted, rtol=1e-15, atol=1e-15)
    assert total == pytest.approx(a[1].sum(), rel=1e-15)


@pytest.mark.parametrize("count", [1, LANES - 1, LANES, LANES + 1, 3 * LANES])
def test_tables_are_put_in_lanes_and_the_last_is_repeated(count):
    table = np.random.default_rng(count).normal(size=(count, 3, 2))
    lanes = in_lanes(table)
    assert lanes.shape == (-(-count // LANES), 3, 2, LANES)
    back = np.moveaxis(lanes, -1, 1).reshape(-1, 3, 2)
    np.testing.assert_array_equal(back[:count], table)
    assert (back[count:] == table[-1]).all()


def test_a_strided_array_is_read_and_written_as_it_lies():
    wide = np.random.default_rng(0).normal(size=(6, 3, LANES))
    a, b, out = wide[4:1:-2, 1], np.ones((2, LANES)), np.zeros((9, 2, LANES))[:, ::2]
    assert not a.flags.c_contiguous
    _each_sign(a, b, 1.0, out)
    np.testing.assert_allclose(out[0, 0], wide[2, 1] + 1.0, rtol=1e-15)
    np.testing.assert_allclose(out[6, 0], wide[4, 1] + wide[2, 1], rtol=1e-15)
