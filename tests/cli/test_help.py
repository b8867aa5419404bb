"""What the command line says of itself, and of a call that is wrong."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
import typer
from typer.testing import CliRunner

from feedsim.cli import main
from feedsim.render import layout
from tests.cli.conftest import Ended
from tests.cli.swept import CARD

Run = Callable[..., Ended]

HELPED = [
    "", "run", "sweep", "compare", "limit", "budget", "explain", "drive", "setup", "rehearse",
    "desk", "check", "new", "schema", "guide", "trial", "trial plan", "trial fit",
]  # fmt: skip


def shown(words: str) -> str:
    call = [*words.split(), "--help"]
    return CliRunner().invoke(main.app, call, prog_name="feedsim", terminal_width=80).output


def odd(text: str) -> list[str]:
    """Return the lines that are cut off or too long, or name a type of the program."""
    return [
        line
        for line in text.splitlines()
        if len(line) > 80
        or re.search(
            r"(?<!;) ?\.\.\.$(?<!COMMAND \.\.\.)|…|\\|<\w|[{}]|x[<>]=|list\[|\brequired\b", line
        )
    ]


@pytest.mark.parametrize("words", HELPED)
def test_help_is_whole_and_names_no_types(words: str) -> None:
    text = shown(words)
    assert text.startswith(f"Usage: {f'feedsim {words}'.strip()} ")
    assert odd(text) == []


def test_each_command_is_listed_with_all_of_its_first_paragraph() -> None:
    text = " ".join(shown("").split())
    for command in main.app.registered_commands:
        callback = command.callback
        assert callback is not None
        first = (callback.__doc__ or "").split("\n\n")[0]
        assert f"{callback.__name__} {' '.join(first.split())}" in text


def test_typer_by_itself_is_found_odd() -> None:
    app = typer.Typer(rich_markup_mode=None, add_completion=False)

    @app.command()
    def one(path: str, jobs: int = typer.Option(1, min=1)) -> None:
        """Tell a long story of which the list of commands has room for a little alone, as it is."""

    @app.command()
    def two() -> None:
        """Do nothing."""

    for words in (["--help"], ["one", "--help"]):
        assert odd(CliRunner().invoke(app, words, terminal_width=80).output)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("run",), "error: SCENARIO is missing"),
        (("learn", CARD), "error: LOG is missing; name one or more log files"),
        (("compare",), "error: SCENARIO is missing; name one or more scenario files"),
        (("runn",), "error: there is no command 'runn'; did you mean 'run'?"),
        (("run", CARD, "--nope"), "error: there is no option --nope; did you mean --speed?"),
        (("run", CARD, "--carriers", "few"), "error: --carriers: found 'few'; needs a whole "
                                               "number"),
        (("sweep", CARD, "--jobs", "0"), "error: --jobs: found '0'; needs a whole number from 1 "
                                           "on"),
        (("desk", CARD, "--port", "70000"), "error: --port: found '70000'; needs a whole number up "
                                             "to 65535"),
        (("run", CARD, "--units", "feet"), "error: --units: found 'feet'; needs one of 'metric', "
                                             "'inch'"),
        (("run", CARD, "--set"), "error: --set: needs a value after it"),
        (("run", CARD, "--json=3"), "error: --json: takes no value"),
        (("new", "a.toml", "b.toml"), "error: b.toml: is more than this command takes"),
    ],
)  # fmt: skip
def test_a_wrong_call_is_told_as_all_errors_are(
    feedsim: Run, words: tuple[object, ...], said: str
) -> None:
    ended = feedsim(*words)
    assert (ended.status, ended.out) == (2, "")
    first, second = ended.err.splitlines()
    assert first == said
    assert re.fullmatch(r"see feedsim(?: \w+)? --help", second)


INCHES = CARD.with_name("imperial.toml")
SPEEDS = 'needs a speed above 0, such as "60 m/min"'
WIDTHS = 'needs a share from "0.01 %" to "50 %"'


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("setup", CARD, "--speed", "0"), f"--speed: found '0'; {SPEEDS}"),
        (("setup", CARD, "--speed", "-5"), f"--speed: found '-5'; {SPEEDS}"),
        (("setup", CARD, "--speed", "0 m/min"), f"--speed: found '0 m/min'; {SPEEDS}"),
        (("setup", CARD, "--speed", "60"),
         "--speed: found '60'; needs a speed with its unit; write \"60 m/min\""),
        (("setup", INCHES, "--speed", "0"),
         "--speed: found '0'; needs a speed above 0, such as \"200 ft/min\""),
        (("setup", INCHES, "--speed", "60"),
         "--speed: found '60'; needs a speed with its unit; write \"60 ft/min\""),
        (("sweep", INCHES, "--speeds", "60"),
         "--speeds: found '60'; needs a range such as \"50:400:50 ft/min\" (from, to, step) or a "
         "list such as \"50,150,200 ft/min\""),
        (("limit", CARD, "--within", "500"), f"--within: found '500'; {WIDTHS}"),
        (("limit", CARD, "--within", "500 %"), f"--within: found '500 %'; {WIDTHS}"),
        (("limit", CARD, "--within", "0,001"), f"--within: found '0,001'; {WIDTHS}"),
        (("limit", CARD, "--within", "0.95"),
         "--within: found '0.95'; needs a share with its unit; write \"0.95 %\""),
        (("limit", CARD, "--within", "5"),
         "--within: found '5'; needs a share with its unit; write \"5 %\""),
        (("trial", "plan", CARD, "--confidence", "1"),
         "--confidence: found '1'; needs a share from \"50 %\" to \"99.99 %\""),
        (("run", CARD, "--log", "samples", "--log-dropped", "80"),
         "--log-dropped: found '80'; needs a share from \"0 %\" to \"50 %\""),
        (("learn", CARD, CARD, "--rate", "0"),
         "--rate: found '0'; needs a rate above 0, such as \"1 kHz\""),
    ],
)  # fmt: skip
def test_an_error_proposes_only_what_the_option_takes(
    feedsim: Run, words: tuple[object, ...], said: str
) -> None:
    ended = feedsim(*words)
    assert (ended.status, ended.out) == (2, "")
    assert ended.err.splitlines() == [f"error: {said}"]


def test_an_error_breaks_at_words_on_a_terminal_and_nowhere_else(
    feedsim: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    call = ("sweep", CARD, "--speeds", "1:2")
    (piped,) = feedsim(*call).err.splitlines()
    assert len(piped) > 80
    monkeypatch.setattr(layout, "_room", lambda _=None: 60)
    lines = feedsim(*call).err.splitlines()
    assert max(map(len, lines)) <= 60
    assert " ".join(" ".join(lines).split()) == piped
