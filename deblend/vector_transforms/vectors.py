"""Eight float32 numbers as one value of compiled code, for kernels that say how they use vectors.

A compiler that is left to find out needs proof that arrays do not overlap, and tests it again for
every short loop. Here each load, store and sum is one instruction of the processor, or a few where
its vectors are shorter. Imported by compiled kernels only.
"""

from __future__ import annotations

import operator
from collections.abc import Callable
from typing import Any, Final

from llvmlite import ir
from numba import types
from numba.core.typing.templates import AbstractTemplate, infer_global, signature
from numba.extending import intrinsic, lower_builtin, models, register_model

WIDTH: Final = 8
_VECTOR: Final = ir.VectorType(ir.FloatType(), WIDTH)
_INDEX: Final = ir.IntType(32)
_FLAGS: Final = ("contract", "reassoc", "nsz")
"""Sums in any order; NaN, which must show, is not assumed away."""


class LanesType(types.Type):  # type: ignore[misc]
    """Type of eight float32 side by side."""

    def __init__(self) -> None:
        super().__init__(name="Lanes")


_LANES: Final = LanesType()


@register_model(LanesType)
class _LanesModel(models.PrimitiveModel):  # type: ignore[misc]
    def __init__(self, manager: Any, kind: Any) -> None:
        super().__init__(manager, kind, _VECTOR)


def _pointer(context: Any, builder: Any, kind: Any, array: Any, offset: Any) -> Any:
    data = context.make_array(kind)(context, builder, array).data
    return builder.bitcast(builder.gep(data, [offset]), _VECTOR.as_pointer())


@intrinsic  # type: ignore[untyped-decorator]
def load(typing_context: Any, array: Any, offset: Any) -> Any:
    """Lanes at `offset` of a contiguous array of float32 with one axis."""

    def code(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        return builder.load(_pointer(context, builder, signature.args[0], *given), align=4)

    return _LANES(array, types.intp), code


@intrinsic  # type: ignore[untyped-decorator]
def store(typing_context: Any, array: Any, offset: Any, value: Any) -> Any:
    """Put lanes at `offset` of a contiguous array of float32 with one axis."""

    def code(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        pointer = _pointer(context, builder, signature.args[0], *given[:2])
        builder.store(given[2], pointer, align=4)
        return context.get_dummy_value()

    return types.void(array, types.intp, _LANES), code


@intrinsic  # type: ignore[untyped-decorator]
def spread(typing_context: Any, value: Any) -> Any:
    """One float32 in all lanes."""

    def code(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        nothing = ir.Constant(_VECTOR, ir.Undefined)
        first = builder.insert_element(nothing, given[0], ir.Constant(_INDEX, 0))
        everywhere = ir.Constant(ir.VectorType(_INDEX, WIDTH), [0] * WIDTH)
        return builder.shuffle_vector(first, nothing, everywhere)

    return _LANES(types.float32), code


@intrinsic  # type: ignore[untyped-decorator]
def at_least(typing_context: Any, one: Any, other: Any) -> Any:
    """1 in lanes where one is at least the other, 0 elsewhere."""

    def code(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        return builder.uitofp(builder.fcmp_ordered(">=", *given), _VECTOR)

    return _LANES(_LANES, _LANES), code


@intrinsic  # type: ignore[untyped-decorator]
def limited(typing_context: Any, values: Any) -> Any:
    """Not below 0 and not above 1; what is not a number stays so."""

    def code(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        none, one = (ir.Constant(_VECTOR, [number] * WIDTH) for number in (0.0, 1.0))
        above = builder.select(builder.fcmp_unordered(">", given[0], none), given[0], none)
        return builder.select(builder.fcmp_unordered("<", above, one), above, one)

    return _LANES(_LANES), code


@intrinsic  # type: ignore[untyped-decorator]
def transposed(
    typing_context: Any, a: Any, b: Any, c: Any, d: Any, e: Any, f: Any, g: Any, h: Any
) -> Any:
    """Eight lanes of eight values: what was number i of lanes j becomes number j of lanes i."""

    def code(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        rows = list(given)
        for block in (4, 2, 1):
            for i in range(WIDTH):
                if not i & block:
                    pair = rows[i], rows[i + block]
                    rows[i] = _mixed(builder, *pair, block, second=False)
                    rows[i + block] = _mixed(builder, *pair, block, second=True)
        return context.make_tuple(builder, signature.return_type, rows)

    return types.UniTuple(_LANES, WIDTH)(a, b, c, d, e, f, g, h), code


def _mixed(builder: Any, one: Any, other: Any, block: int, *, second: bool) -> Any:
    """First or second halves of all pairs of blocks of two vectors, side by side."""
    take = [
        (lane | block if second else lane)
        if not lane & block
        else WIDTH + (lane if second else lane ^ block)
        for lane in range(WIDTH)
    ]
    return builder.shuffle_vector(one, other, ir.Constant(ir.VectorType(_INDEX, WIDTH), take))


def _define(symbol: Callable[..., Any], instruction: str) -> None:
    """Let an operator of Python work on lanes."""

    @infer_global(symbol)
    class _Typing(AbstractTemplate):  # type: ignore[misc]
        def generic(self, given: Any, named: Any) -> Any:
            return signature(_LANES, *given) if given == (_LANES, _LANES) else None

    @lower_builtin(symbol, LanesType, LanesType)  # type: ignore[untyped-decorator]
    def _lower(context: Any, builder: Any, signature: Any, given: Any) -> Any:
        return getattr(builder, instruction)(*given, flags=_FLAGS)


for _symbol in (operator.add, operator.iadd):
    _define(_symbol, "fadd")
_define(operator.sub, "fsub")
_define(operator.mul, "fmul")
_define(operator.truediv, "fdiv")
