"""Four numbers at once, for compiled loops over many equal things (stations, elements).

A vec4 is a vector of four doubles that stays in the processor's wide registers: + - * / and `vec_sqrt` work
on all four in one instruction. A compiler finds such vectors by itself only where it can prove that no two
arrays overlap, which it cannot for arrays that come from Python. Arrays hold vec4s along their last axis,
`LANES` long; `take`, `put` and `add` move one of them.

For the type checker a vec4 is a float, which is what it stands for. Uncompiled, the functions do the same
with arrays of four numbers.
"""

# numba and llvmlite carry no types
# mypy: allow-untyped-calls, allow-untyped-decorators, allow-subclassing-any

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any, ClassVar, cast

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.core.typing.templates import AbstractTemplate, ConcreteTemplate, infer_global, signature
from numba.extending import lower_builtin, models, register_model

from fem.core.term import Array

LANES = 4
_VECTOR = ir.VectorType(ir.DoubleType(), LANES)
_FUSED = ("contract",)
"""A product and a sum in one instruction, rounded once."""
Index = tuple[int, ...]


def take(array: Array, index: Index) -> float:
    """The vec4 of an array at an index of all axes but the last, along which numbers lie side by side."""
    return cast(float, array[index])


def put(array: Array, index: Index, value: float) -> None:
    """Store a vec4 in an array."""
    array[index] = value


def add(array: Array, index: Index, value: float) -> None:
    """Add a vec4 to the one in an array."""
    array[index] += value


def splat(number: float) -> float:
    """Four times the same number."""
    return cast(float, np.full(LANES, number))


def vec_sqrt(value: float) -> float:
    """Square roots."""
    return cast(float, np.sqrt(value))


def lane_sum(value: float) -> float:
    """Sum of the four, first to last."""
    return float(sum(cast(Array, value)))


def in_lanes(table: Array) -> Array:
    """(ceil(n / LANES), ..., LANES) from (n, ...); lanes beyond the last one repeat it."""
    count = -(-len(table) // LANES)
    rows = np.minimum(np.arange(count * LANES), len(table) - 1).reshape(count, LANES)
    return np.ascontiguousarray(np.moveaxis(table[rows], 1, -1))


class _Vec4(types.Type):
    def __init__(self) -> None:
        super().__init__(name="vec4")


VEC4 = _Vec4()


@register_model(_Vec4)
class _Model(models.PrimitiveModel):
    def __init__(self, manager: Any, kind: Any) -> None:
        super().__init__(manager, kind, _VECTOR)


def _lane(number: int) -> Any:
    return ir.Constant(ir.IntType(32), number)


def _wide(context: Any, builder: Any, value: Any, kind: Any) -> Any:
    """A vec4 as it is, or the vec4 of a number."""
    if kind is VEC4:
        return value
    value, out = context.cast(builder, value, kind, types.float64), ir.Constant(_VECTOR, ir.Undefined)
    for lane in range(LANES):
        out = builder.insert_element(out, value, _lane(lane))
    return out


def _sign(sign: Any, name: str) -> None:
    """Let a sign act on two vec4s, or on a vec4 and a number."""
    kinds = [(VEC4, VEC4), (VEC4, types.float64), (types.float64, VEC4)]

    @infer_global(sign)
    class Meaning(ConcreteTemplate):
        cases: ClassVar = [signature(VEC4, *pair) for pair in kinds]

    def code(context: Any, builder: Any, made: Any, values: Any) -> Any:
        left, right = (_wide(context, builder, *one) for one in zip(values, made.args, strict=True))
        return getattr(builder, name)(left, right, flags=_FUSED)

    for pair in kinds:
        lower_builtin(sign, *pair)(code)


for _signs, _name in (
    ((operator.add, operator.iadd), "fadd"),
    ((operator.sub, operator.isub), "fsub"),
    ((operator.mul, operator.imul), "fmul"),
    ((operator.truediv, operator.itruediv), "fdiv"),
):
    for _one in _signs:
        _sign(_one, _name)


def _means(function: Any, gives: Any, *kinds: Any) -> Callable[[Any], Any]:
    """Decorator of the code that a function stands for in a loop."""

    @infer_global(function)
    class Meaning(AbstractTemplate):
        def generic(self, given: Any, named: Any) -> Any:
            fit = len(given) == len(kinds) and not named
            fit = fit and all(isinstance(one, kind) for one, kind in zip(given, kinds, strict=True))
            return signature(gives, *given) if fit else None

    return cast(Callable[[Any], Any], lower_builtin(function, *kinds))


def _place(context: Any, builder: Any, made: Any, values: Any) -> Any:
    """Pointer to the vec4 of an array (first argument) at an index (second)."""
    array, index = made.args[:2]
    data = context.make_array(array)(context, builder, values[0])
    at = [
        context.cast(builder, one, kind, types.intp)
        for one, kind in zip(cgutils.unpack_tuple(builder, values[1], len(index)), index, strict=True)
    ]
    at.append(context.get_constant(types.intp, 0))
    pointer = cgutils.get_item_pointer(context, builder, array, data, at, wraparound=False)
    return builder.bitcast(pointer, _VECTOR.as_pointer())


@_means(take, VEC4, types.Array, types.BaseTuple)
def _take(context: Any, builder: Any, made: Any, values: Any) -> Any:
    return builder.load(_place(context, builder, made, values), align=8)


@_means(put, types.void, types.Array, types.BaseTuple, _Vec4)
def _put(context: Any, builder: Any, made: Any, values: Any) -> Any:
    builder.store(values[2], _place(context, builder, made, values), align=8)
    return context.get_dummy_value()


@_means(add, types.void, types.Array, types.BaseTuple, _Vec4)
def _add(context: Any, builder: Any, made: Any, values: Any) -> Any:
    at = _place(context, builder, made, values)
    builder.store(builder.fadd(builder.load(at, align=8), values[2], flags=_FUSED), at, align=8)
    return context.get_dummy_value()


@_means(splat, VEC4, types.Number)
def _four(context: Any, builder: Any, made: Any, values: Any) -> Any:
    return _wide(context, builder, values[0], made.args[0])


@_means(vec_sqrt, VEC4, _Vec4)
def _root(_: Any, builder: Any, __: Any, values: Any) -> Any:
    kind = ir.FunctionType(_VECTOR, [_VECTOR])
    return builder.call(
        cgutils.get_or_insert_function(builder.module, kind, f"llvm.sqrt.v{LANES}f64"), values
    )


@_means(lane_sum, types.float64, _Vec4)
def _together(_: Any, builder: Any, __: Any, values: Any) -> Any:
    total = builder.extract_element(values[0], _lane(0))
    for lane in range(1, LANES):
        total = builder.fadd(total, builder.extract_element(values[0], _lane(lane)))
    return total
