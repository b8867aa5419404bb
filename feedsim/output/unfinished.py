"""The finished points of a sweep that is not finished, kept until it is."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from feedsim.errors import Fault, FeedsimError
from feedsim.metrics.plain import Plain
from feedsim.output.files import write_all
from feedsim.output.json_text import json_text

__all__ = ["Unfinished"]

_FOLDER = ".unfinished"
_WHAT = "sweep.json"


class Unfinished:
    """A hidden folder beside the results: what is swept, and a file for each finished point.

    Parameters
    ----------
    out : Path
        The sweep's output folder.
    fingerprint : str
        Of all that the results depend on.
    """

    def __init__(self, out: Path, fingerprint: str) -> None:
        self._folder = out / _FOLDER
        self._fingerprint = fingerprint

    def begin(self) -> None:
        """Forget an earlier unfinished sweep, and get ready to keep points of this one."""
        self.forget()
        what: dict[str, Plain] = {"fingerprint": self._fingerprint}
        write_all(self._folder, {_WHAT: json_text(what).encode()})

    def resume(self) -> dict[int, Mapping[str, Plain]]:
        """Return the points that an interrupted sweep has finished, by place.

        Raises
        ------
        FeedsimError
            If there is none, or it was of something else.
        """
        try:
            what = json.loads((self._folder / _WHAT).read_text("utf-8"))
        except (OSError, ValueError):
            raise FeedsimError(
                Fault("--resume", message=f"no unfinished sweep is kept in {self._folder.parent}")
            ) from None
        if what.get("fingerprint") != self._fingerprint:
            raise FeedsimError(
                Fault(
                    "--resume",
                    message=f"the unfinished sweep in {self._folder.parent} is of another "
                    "scenario, other speeds or another feedsim; its points cannot be mixed in",
                )
            )
        points = self._folder.glob("point-*.json")
        return {int(p.stem.partition("-")[2]): json.loads(p.read_text("utf-8")) for p in points}

    def keep(self, place: int, results: Mapping[str, Plain]) -> None:
        """Keep the results of one point, whole or not at all."""
        write_all(self._folder, {f"point-{place}.json": json_text(results).encode()})

    def forget_if_empty(self) -> None:
        """Leave nothing behind where no point has been finished."""
        if not any(self._folder.glob("point-*.json")):
            self.forget()
            with suppress(OSError):
                self._folder.parent.rmdir()

    def forget(self) -> None:
        """Remove everything kept."""
        shutil.rmtree(self._folder, ignore_errors=True)
