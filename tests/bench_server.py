"""The command ``strobewise bench`` in a process of its own, for tests."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

from conftest import ROOT


class Bench:
    """A bench that serves, and a client that behaves as its page does unless told otherwise."""

    def __init__(self, url: str, process: subprocess.Popen[str], folder: Path) -> None:
        self.url, self.process, self.folder = url, process, folder
        parts = urlsplit(url)
        self.port = parts.port or 0
        self.key = parse_qs(parts.query)["key"][0]
        self.origin = f"http://127.0.0.1:{self.port}"
        self.token = ""

    def ask(self, method: str, path: str, body: bytes | None = None, headers: Mapping[str, str | None] | None = None):
        """Send a request; a header that is None is left out. Returns (status, headers, text)."""
        given = {"Host": f"127.0.0.1:{self.port}", "Cookie": f"bench-{self.port}={self.key}"}
        if method not in ("GET", "HEAD"):
            given |= {"Origin": self.origin, "X-Bench-Token": self.token or self.page_token()}
        given |= headers or {}
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        with contextlib.closing(connection):
            connection.putrequest(method, path, skip_host=True)
            for name, value in given.items():
                if value is not None:
                    connection.putheader(name, value)
            if body is not None:
                connection.putheader("Content-Length", str(len(body)))
            connection.endheaders(body)
            answer = connection.getresponse()
            return answer.status, dict(answer.getheaders()), answer.read().decode()

    def page_token(self) -> str:
        """Return the token that the page carries."""
        self.token = self.ask("GET", "/")[2].partition('name="bench-token" content="')[2].partition('"')[0]
        return self.token

    def change(self, path: str, told: object, **headers: str | None):
        """Send a form as the page does."""
        return self.ask("POST", path, json.dumps(told).encode(), headers)


@contextlib.contextmanager
def serving(folder: Path, *arguments: str, begin: Sequence[str] = ("-m", "strobewise_cli")) -> Iterator[Bench]:
    """Serve a case, and end it as Ctrl-C does. begin: what Python is to run."""
    search = os.pathsep.join([str(ROOT / "decoders"), str(ROOT / "cli")])
    command = [sys.executable, *begin, "bench", str(folder), *arguments]
    pipe = subprocess.PIPE
    with subprocess.Popen(command, stdout=pipe, stderr=pipe, text=True, env={**os.environ, "PYTHONPATH": search}) as process:
        try:
            assert process.stdout is not None
            url = process.stdout.readline().strip()
            assert url.startswith("http://127.0.0.1:"), process.communicate(timeout=30)
            yield Bench(url, process, folder)
            process.send_signal(signal.SIGINT)
            _, errors = process.communicate(timeout=60)
            assert process.returncode == 0 and errors == "", errors
        finally:
            process.kill()
