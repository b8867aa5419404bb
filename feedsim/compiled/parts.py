"""Compiling functions that only serve as parts of others.

By default numba compiles each called function with everything that it calls, and optimises it again
at each level. Here such a function stays LLVM text until the requested function is complete, and
only that one is optimised and compiled: half the time, and the same numbers, since LLVM's
optimisations change no rounding unless told to.
"""

from __future__ import annotations

from typing import Any

from numba.core.codegen import JITCodeLibrary
from numba.core.compiler import Compiler
from numba.core.compiler_machinery import FunctionPass, register_pass
from numba.core.typed_passes import NopythonTypeInference


class _NoEnvironment:
    """Placeholder for the environment of a function's Python objects: a part has none."""

    @staticmethod
    def set_env(_name: str, _environment: object) -> None: ...


class _Part(JITCodeLibrary):
    """A function to link into others."""

    @property
    def codegen(self) -> type[_NoEnvironment]:
        return _NoEnvironment

    def _optimize_final_module(self) -> None:
        """Leave that to the function it is linked into."""

    def _finalize_final_module(self) -> None:
        self._finalized = True

    def get_pointer_to_function(self, _name: str) -> int:
        self._ensure_finalized()  # type: ignore[no-untyped-call]
        return 0  # as numba has it for a function that Python cannot call


@register_pass(mutates_CFG=False, analysis_only=True)  # type: ignore[no-untyped-call]
class _ForPart(FunctionPass):
    _name = "keep_as_part"

    def __init__(self) -> None:
        super().__init__()  # type: ignore[no-untyped-call]

    def run_pass(self, state: Any) -> bool:
        part: Any = _Part
        state.library = part(state.targetctx.codegen(), state.func_id.func_qualname)
        return True


class PartCompiler(Compiler):
    """Numba's own compiler, except for what it does with the finished function."""

    def define_pipelines(self) -> Any:
        """Return numba's pipelines, with a part prepared before code is written."""
        pipelines: Any = super().define_pipelines()  # type: ignore[no-untyped-call]
        for each in pipelines:
            each.add_pass_after(_ForPart, NopythonTypeInference)
            each.finalize()
        return pipelines
