"""Compiling in a separate process, so that the wait can be interrupted at once.

Python handles no interrupt during a call of LLVM, which takes seconds. The memory used for
compiling is also freed with that process.
"""

from __future__ import annotations

import os
import signal
import sys
from contextlib import suppress
from pathlib import Path
from subprocess import DEVNULL, PIPE, Popen
from threading import Thread

_BEGIN = (
    "import sys; sys.path[:] = sys.argv[2:]; "
    "from feedsim.compiled.aside import compile_into; compile_into(sys.argv[1])"
)


def compiled_aside(place: Path) -> bool:
    """Leave the compiled functions in a folder; return whether that worked.

    The compiling process ends with this one, whatever ends it.
    """
    command = [sys.executable, "-c", _BEGIN, str(place), *sys.path]
    none = DEVNULL
    with suppress(OSError), Popen(command, stdin=PIPE, stdout=none, stderr=none) as process:  # noqa: S603 - ours
        try:
            return process.wait() == 0
        finally:
            process.kill()
            process.wait()
    return False


def compile_into(place: str) -> None:
    """Compile in this process, which has nothing else to do and ends with its standard input."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    Thread(target=_end_with_input, daemon=True).start()
    from numba import config

    config.CACHE_DIR = place  # type: ignore[attr-defined]
    from feedsim.compiled.kernels import compiled_functions
    from feedsim.compiled.linked import code_of, keep

    made = compiled_functions(keep=True)
    with suppress(Exception):  # of a numba that is made otherwise: it loads its own then
        keep(Path(place), [code_of(function) for function in made])


def _end_with_input() -> None:
    sys.stdin.buffer.read()
    os._exit(1)
