"""The page as a process of its own, and a plain HTTP client that asks it for anything."""

from __future__ import annotations

import http.client
import os
import signal
import subprocess
import sys
import time
import urllib.parse
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pytest

FERRY = Path(__file__).parents[2] / "fixtures" / "ferry"


@dataclass
class Answer:
    """What came back."""

    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode()


@dataclass
class Served:
    """A page that runs."""

    process: subprocess.Popen[str]
    address: str
    temporary: Path
    cookie: str = ""
    given: dict[str, str] = field(default_factory=dict)

    @property
    def port(self) -> int:
        return urllib.parse.urlsplit(self.address).port or 0

    def ask(self, method: str, path: str, body: bytes | None = None, *, cookie: bool = True, **headers: str) -> Answer:
        """Ask for something; ``headers`` with underscores for hyphens."""
        sent = {name.replace("_", "-"): value for name, value in headers.items()}
        if cookie:
            sent.setdefault("Cookie", self.cookie)
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            connection.request(method, path, body, sent)
            answer = connection.getresponse()
            return Answer(answer.status, dict(answer.headers), answer.read())
        finally:
            connection.close()

    def post(self, path: str, fields: Mapping[str, str], files: Mapping[str, tuple[str, bytes]] = {}) -> Answer:
        """Send a form."""
        parts = [f'Content-Disposition: form-data; name="{k}"\r\n\r\n{v}'.encode() for k, v in fields.items()]
        parts += [
            f'Content-Disposition: form-data; name="{k.partition("#")[0]}"; filename="{name}"\r\n\r\n'.encode() + data
            for k, (name, data) in files.items()
        ]
        body = b"".join(b"--x1y2\r\n" + part + b"\r\n" for part in parts) + b"--x1y2--\r\n"
        return self.ask("POST", path, body, Content_Type="multipart/form-data; boundary=x1y2")

    def begin(self, kind: str, files: Mapping[str, tuple[str, bytes]]) -> str:
        """Give files, and return where they are looked at."""
        answer = self.post(f"/begin/{kind}", {}, files)
        assert answer.status == 303, answer.text
        return answer.headers["location"]

    def wait(self, work: str) -> Answer:
        """Return the answer once nothing runs any more."""
        for _ in range(600):
            answer = self.ask("GET", f"{work}/answer")
            if b"data-progress" not in answer.body:
                return answer
            time.sleep(0.1)
        raise AssertionError("it never ended")

    def score(self, work: str, fields: Mapping[str, str] = {}) -> Answer:
        """Score, and return the answer."""
        answer = self.post(work, {**fields, "do": "score"})
        assert answer.headers["location"] == f"{work}/answer", answer.text
        return self.wait(work)

    def end(self, number: int = signal.SIGINT) -> float:
        """End it as Ctrl-C does; return how long that took."""
        begun = time.monotonic()
        self.process.send_signal(number)
        return self.ended(begun)

    def ended(self, begun: float) -> float:
        """Wait for its end; return how long that took."""
        self.process.communicate(timeout=20)
        return time.monotonic() - begun


def serve(temporary: Path, *options: str) -> Served:
    """Start the page with a temporary folder of its own."""
    process = subprocess.Popen(
        [sys.executable, "-m", "sleepagree", "page", "--no-browser", *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "TMPDIR": str(temporary), "XDG_CONFIG_HOME": f"{temporary}-config"},
    )
    assert process.stdout is not None
    address = process.stdout.readline().strip()
    assert address.startswith("http://127.0.0.1:"), process.communicate()
    served = Served(process, address, temporary)
    key = urllib.parse.urlsplit(address).query
    served.cookie = served.ask("GET", f"/?{key}", cookie=False).headers["set-cookie"].split(";")[0]
    return served


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Return a page that runs; one for each file of tests, as a page takes no more than 100 works."""
    for name in ("starlette", "uvicorn", "python_multipart"):
        pytest.importorskip(name, reason="the extra 'page' is not installed")
    page = serve(tmp_path_factory.mktemp("served"))
    yield page
    page.end()


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Served]:
    """Return a page for one test, which may end it."""
    pytest.importorskip("uvicorn", reason="the extra 'page' is not installed")
    page = serve(tmp_path)
    yield page
    if page.process.poll() is None:
        page.end()


def ferry(path: str) -> tuple[str, bytes]:
    """Return the name and the bytes of a file of the fixtures."""
    return Path(path).name, (FERRY / path).read_bytes()
