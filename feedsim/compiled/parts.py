"""How a function is compiled that only goes into others.

Left to itself numba makes machine code of each function that another calls, with all that it calls
in turn, and optimises that at each level anew. Here such a function stays LLVM's text until the
function that is asked for is whole, and that alone is optimised and turned into machine code: half
the time, and the same numbers, since no optimisation of LLVM changes a rounding unless asked to.
"""

from __future__ import annotations

from typing import Any

from numba.core.codegen import JITCodeLibrary
from numba.core.compiler import Compiler
from numba.core.compiler_machinery import FunctionPass, register_pass
from numba.core.typed_passes import NopythonTypeInference


class _NoEnvironment:
    """Stands for what keeps a function's Python objects: a part has none, and is not called."""

    @staticmethod
    def set_env(_name: str, _environment: object) -> None: ...


class _Part(JITCodeLibrary):
    """A function as it is linked into others."""

    @property
    def codegen(self) -> type[_NoEnvironment]:
        return _NoEnvironment

    def _optimize_final_module(self) -> None:
        """Leave that to the function that it goes into."""

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
    """Numba's own compiler but for what becomes of the finished function."""

    def define_pipelines(self) -> Any:
        """Return how numba does it, a part made ready before it is written."""
        pipelines: Any = super().define_pipelines()  # type: ignore[no-untyped-call]
        for each in pipelines:
            each.add_pass_after(_ForPart, NopythonTypeInference)
            each.finalize()
        return pipelines
