"""Machine code without numba, which takes ten times as long to load.

Where it is compiled, what numba has made of each function is kept as it is: object code. Its
arguments are those of numba's native functions (numba's ``callconv``): where to put the result,
where to put an error, then a pointer for each row, seven values for each array, numbers as such.
"""

from __future__ import annotations

import ctypes
import pickle
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from feedsim.compiled.driver import Driver
from feedsim.compiled.flat import driver_of

_FILE = "linked"
_AS_ARRAY = 7
"""Values that an array is passed as."""
_NOT_TO_BE_LINKED = (
    *(OSError, EOFError, ValueError, TypeError, pickle.PickleError),  # none, or cut short
    *(AttributeError, ImportError, RuntimeError),  # of another llvmlite
)
_OF_NUMBA = frozenset(
    f"numba_{name}"
    for name in (
        *("extract_record_data", "release_buffer", "adapt_ndarray", "unpickle", "do_raise"),
        *("runtime_build_excinfo_struct", "gil_ensure", "gil_release"),
    )
)
"""Functions of numba that only the one with which Python would call ours uses."""


class Code(NamedTuple):
    """A compiled function: its name in its object code, and what that never calls."""

    name: str
    code: bytes
    unused: tuple[str, ...]


def code_of(function: Any) -> Code:
    """Return the code of a function that numba has just compiled and kept.

    Raises ValueError if numba passes arguments in another way, or if the function may need others
    of numba's than Python's own call of it does.
    """
    (made,) = function.overloads.values()
    library, name = made.library, made.fndesc.llvm_func_name
    module = library._final_module  # noqa: SLF001 - numba has no other way
    takes = sum(_AS_ARRAY if hasattr(t, "ndim") else 1 for t in made.signature.args)
    if len(list(module.get_function(name).arguments)) != 2 + takes:
        raise ValueError(name)
    unused = [f.name for f in module.functions if f.is_declaration and f.name.startswith("numba_")]
    if not _OF_NUMBA.issuperset(unused):
        raise ValueError(name)
    return Code(name, library._get_compiled_object(), tuple(unused))  # noqa: SLF001 - the same


def keep(place: Path, codes: Sequence[Code]) -> None:
    """Keep the functions that :func:`~feedsim.compiled.flat.driver_of` takes in a folder."""
    (place / _FILE).write_bytes(pickle.dumps([tuple(code) for code in codes]))


def linked(place: Path) -> Driver | None:
    """Return the functions kept in a folder; None if there are none, or they cannot be linked.

    Tried on Linux alone; elsewhere numba loads what it has compiled.
    """
    if sys.platform != "linux":
        return None
    try:
        kept = pickle.loads((place / _FILE).read_bytes())  # noqa: S301 - ours, and whole
        see, run, rest = (_Function(Code(*code)) for code in kept)
    except _NOT_TO_BE_LINKED:
        return None
    return driver_of(see, run, rest)


class _Function:
    """A function of machine code; it stays to the end of the process."""

    def __init__(self, code: Code) -> None:
        from llvmlite import binding

        binding.initialize_native_target()
        binding.initialize_native_asmprinter()
        linker = binding.create_lljit_compiler(suppress_errors=True)
        library = binding.JITLibraryBuilder().add_object_img(code.code).add_current_process()
        nowhere = ctypes.cast(ctypes.pythonapi.Py_FatalError, ctypes.c_void_p).value
        for name in code.unused:
            library.import_symbol(name, nowhere)
        there = library.export_symbol(code.name).link(linker, "feedsim")
        self._call = ctypes.CFUNCTYPE(ctypes.c_int32)(there[code.name])
        there.detach()
        linker.detach()

    def __call__(self, *arguments: Any) -> int:
        """Call it; Python's lock is free meanwhile."""
        result, error = ctypes.c_int64(), ctypes.c_void_p()
        passed = [value for each in arguments for value in _passed(each)]
        status = self._call(ctypes.byref(result), ctypes.byref(error), *passed)
        if status:
            raise RuntimeError(f"the compiled engine failed with status {status}")
        return result.value


def _passed(argument: Any) -> tuple[Any, ...]:
    """Return the values that an argument is passed as."""
    if isinstance(argument, np.void):
        row: Any = argument.base  # the array of which it is the only row
        return (ctypes.c_void_p(row.ctypes.data),)
    if isinstance(argument, np.ndarray):
        count, size = ctypes.c_int64(len(argument)), ctypes.c_int64(argument.itemsize)
        nobody, data = ctypes.c_void_p(), ctypes.c_void_p(argument.ctypes.data)
        return nobody, nobody, count, size, data, count, size
    return (ctypes.c_double(argument),)
