"""``feedsim desk`` from the command line: it starts, tells its address, and ends with Ctrl-C."""

from __future__ import annotations

import http.client
import os
import re
import signal
import socket
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from feedsim.cli.desk import desk
from feedsim.errors import FeedsimError

SCENARIO = Path(__file__).parents[2] / "scenarios" / "membership_card.toml"


def started(*arguments: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "feedsim", "desk", "--no-browser", *arguments]
    pipe = subprocess.PIPE
    environment = {**os.environ, "PYTHONUNBUFFERED": "1"}
    return subprocess.Popen(command, stdout=pipe, stderr=pipe, text=True, env=environment)


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C is no signal that can be sent there")
def test_it_serves_until_ctrl_c() -> None:
    process = started(str(SCENARIO))
    try:
        assert process.stdout is not None
        address = process.stdout.readline().strip()
        found = re.search(r"http://127\.0\.0\.1:(\d+)/\?key=([\w-]{40,})$", address)
        assert found
        entered = got(int(found[1]), f"/?key={found[2]}")
        cookie = (entered.headers["set-cookie"] or "").partition(";")[0]
        assert (entered.status, got(int(found[1]), "/").status) == (200, 403)
        page = got(int(found[1]), "/", Cookie=cookie)
        assert page.status == 200
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=600)
    finally:
        process.kill()
    assert process.returncode == 0
    assert said == "the desk is closed\n"


def got(port: int, path: str, **headers: str) -> http.client.HTTPResponse:
    with closing(http.client.HTTPConnection("127.0.0.1", port, timeout=600)) as connection:
        connection.request("GET", path, headers=headers)
        answer = connection.getresponse()
        answer.read()
    return answer


def refused(*paths: Path, port: int = 0) -> str:
    with pytest.raises(FeedsimError) as error:
        desk(list(paths), port=port, no_browser=True)
    return str(error.value)


def test_what_cannot_be_opened_is_told(tmp_path: Path) -> None:
    assert "there is no such file" in refused(tmp_path / "none.toml")
    assert "is a folder" in refused(tmp_path)
    (tmp_path / "torn.toml").write_text("x = [", "utf-8")
    assert "torn.toml: end of the file: not TOML" in refused(tmp_path / "torn.toml")
    assert "one scenario or two" in refused(SCENARIO, SCENARIO, SCENARIO)


def test_a_port_that_is_taken_is_told() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        said = refused(SCENARIO, port=taken.getsockname()[1])
    assert said.startswith("--port: ")


def test_no_other_command_imports_the_server() -> None:
    code = (
        "import sys; import feedsim.cli.main; from feedsim.answers.run import answer; "
        "assert not {'starlette', 'uvicorn', 'feedsim.desk.server'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=600)
