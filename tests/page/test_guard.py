"""Who gets an answer from the page, asked by a plain HTTP client that plays everybody else."""

from __future__ import annotations

import http.client
import io
import os
import signal
import socket
import subprocess
import sys
import time
import urllib.parse
import zipfile
from pathlib import Path

import pytest

from tests.page.conftest import Served, ferry, serve

NIGHT = {
    "reference.file": ferry("reference/crew-3-night-2.edf"),
    "device.file": ferry("band-a/crew-3-night-2.csv"),
    "device.layout": ferry("band-a.toml"),
}


@pytest.mark.parametrize("path", ["/", "/page.css", "/work/x", "/work/x/keep/results.json", "/?key=", "/?key=wrong"])
def test_without_the_key_nothing_is_told(served: Served, path: str) -> None:
    answer = served.ask("GET", path, cookie=False)
    assert answer.status == 403
    assert "reference" not in answer.text.casefold()


def test_a_wrong_cookie_and_a_key_elsewhere_are_refused(served: Served) -> None:
    key = urllib.parse.urlsplit(served.address).query
    name = served.cookie.partition("=")[0]
    assert served.ask("GET", "/", Cookie=f"{name}=wrong").status == 403
    assert served.ask("GET", f"/page.css?{key}", cookie=False).status == 403
    assert served.ask("POST", f"/?{key}", cookie=False).status == 403


def test_the_key_becomes_a_cookie_that_no_script_and_no_other_site_has(served: Served) -> None:
    answer = served.ask("GET", f"/?{urllib.parse.urlsplit(served.address).query}", cookie=False)
    assert answer.status == 303
    assert answer.headers["location"] == "/"
    flags = {flag.strip().casefold() for flag in answer.headers["set-cookie"].split(";")[1:]}
    assert {"httponly", "samesite=strict", "path=/"} <= flags


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "localhost.evil.example:{port}", ""])
def test_another_host_is_refused(served: Served, host: str) -> None:
    assert served.ask("GET", "/", Host=host.format(port=served.port)).status == 403


def test_localhost_is_this_machine(served: Served) -> None:
    assert served.ask("GET", "/", Host=f"localhost:{served.port}").status == 200


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "http://127.0.0.1:1", "https://127.0.0.1:{port}"])
def test_another_origin_is_refused(served: Served, origin: str) -> None:
    assert served.ask("POST", "/begin/night", b"", Origin=origin.format(port=served.port)).status == 403


def test_only_loopback_is_listened_to(served: Served) -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address of documentation: nothing is sent
            own = probe.getsockname()[0]
        except OSError:
            pytest.skip("this machine has no other address")
    with pytest.raises(OSError, match=r"refused|timed out|unreachable"):
        socket.create_connection((own, served.port), timeout=2).close()


@pytest.mark.parametrize("path", ["/", "/page.js", "/nothing", "/work/none"])
def test_every_answer_forbids_scripts_of_others_and_being_kept(served: Served, path: str) -> None:
    headers = served.ask("GET", path).headers
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script-src 'self';" in policy
    assert headers["cache-control"] == "no-store"
    assert headers["x-content-type-options"] == "nosniff"
    assert "server" not in {name.casefold() for name in headers}


@pytest.mark.parametrize(
    "name", ["../../../escaped.csv", "..\\..\\escaped.csv", "/etc/escaped.csv", "a/../../escaped.csv", ".escaped", "-x"]
)
def test_names_of_files_are_no_paths(served: Served, name: str) -> None:
    served.begin("night", {"device.file": (name.replace("\\", "\\\\"), b"time,stage\n")})
    served.begin("study", {"folder": (name.replace("\\", "\\\\"), b"time,stage\n")})
    work = served.begin("night", {"device.file": ferry("band-a/crew-3-night-2.csv")})
    private = next(served.temporary.glob("sleepagree-page-*"))
    assert [p for p in served.temporary.parent.rglob("*escaped*") if private not in p.parents] == []
    for asked in ("../../x", "..%2f..%2fin-use", "%2e%2e/device/crew-3-night-2.csv", "device/crew-3-night-2.csv"):
        assert served.ask("GET", f"{work}/keep/{asked}").status == 404


def test_names_of_files_are_shown_as_texts(served: Served) -> None:
    work = served.begin(
        "night", {"device.file": ("<img src=x onerror=alert(1)>.csv", b"<b>a</b>,stage\n1,<i>N2</i>\n")}
    )
    page = served.ask("GET", work).text
    assert "<img" not in page
    assert "<b>a" not in page
    assert "<i>N2" not in page
    assert "&lt;img src=x" in page


def test_ten_thousand_small_requests_leave_it_as_it_was(served: Served) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=60)
    before = _memory(served)
    for i in range(10_000):
        connection.request("GET", "/", headers={"Cookie": served.cookie} if i % 2 else {})
        answer = connection.getresponse()
        answer.read()
        assert answer.status == (200 if i % 2 else 403)
    connection.close()
    assert _memory(served) - before < 20e6


def _memory(served: Served) -> float:
    lines = Path(f"/proc/{served.process.pid}/status").read_text().splitlines()
    return 1024 * float(next(line.split()[1] for line in lines if line.startswith("VmRSS:")))


def test_an_upload_that_is_cut_short_leaves_nothing(served: Served) -> None:
    private = next(served.temporary.glob("sleepagree-page-*"))
    held = sorted(private.rglob("*"))
    with socket.create_connection(("127.0.0.1", served.port)) as raw:
        head = (
            f"POST /begin/night HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\nCookie: {served.cookie}\r\n"
            f"Content-Type: multipart/form-data; boundary=b\r\nContent-Length: {2 * 1024**3}\r\n\r\n"
            '--b\r\nContent-Disposition: form-data; name="device.file"; filename="a.edf"\r\n\r\n'
        )
        raw.sendall(head.encode())
        for _ in range(64):
            raw.sendall(bytes(1024 * 1024))
    for _ in range(50):
        if sorted(private.rglob("*")) == held:
            break
        time.sleep(0.1)
    assert sorted(private.rglob("*")) == held
    assert served.ask("GET", "/").status == 200


def test_more_than_it_takes_is_refused_before_it_is_sent(served: Served) -> None:
    answer = served.ask(
        "POST", "/begin/night", b"x", Content_Type="multipart/form-data; boundary=b", Content_Length="9" * 12
    )
    assert answer.status == 413
    assert "4096 MB" in answer.text
    assert served.ask("POST", "/begin/night", b"x", Content_Length="5000000").status == 413


def test_an_archive_that_unpacks_without_end_is_refused(served: Served) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("night.csv", bytes(700 * 1024 * 1024))
    before = _memory(served)
    work = served.begin("night", {"device.file": ("night.csv.zip", packed.getvalue())})
    assert 'class="problem"' in served.ask("GET", work).text
    assert _memory(served) - before < 900e6


def test_the_folder_is_private_and_gone_at_the_end(own: Served) -> None:
    private = next(own.temporary.glob("sleepagree-page-*"))
    assert private.stat().st_mode & 0o777 == 0o700
    work = own.begin("night", NIGHT)
    own.score(work)
    assert any(private.rglob("results.json"))
    assert own.end() < 10  # a second where nothing else runs
    assert own.process.returncode == 0
    assert list(own.temporary.iterdir()) == []


def test_it_ends_within_a_second_while_it_is_asked(own: Served) -> None:
    work = own.begin("night", NIGHT)
    own.post(work, {"do": "score"})
    listening = http.client.HTTPConnection("127.0.0.1", own.port)
    listening.request("GET", f"{work}/progress", headers={"Cookie": own.cookie})
    assert own.end() < 10  # a second where nothing else runs
    assert list(own.temporary.iterdir()) == []
    listening.close()


def test_what_a_crash_left_is_removed_on_the_next_start(tmp_path: Path) -> None:
    first = serve(tmp_path)
    first.begin("night", NIGHT)
    running = serve(tmp_path)
    os.kill(first.process.pid, signal.SIGKILL)
    first.ended(0.0)
    assert len(list(tmp_path.iterdir())) == 2
    again = serve(tmp_path)
    assert len(list(tmp_path.iterdir())) == 2  # the one that lives keeps its own
    running.end()
    again.end()
    assert list(tmp_path.iterdir()) == []


def test_it_ends_when_nobody_asks(tmp_path: Path) -> None:
    page = serve(tmp_path, "--idle", "0.02")
    page.ended(0.0)
    assert page.process.returncode == 0
    assert list(tmp_path.iterdir()) == []


def test_a_port_that_is_taken_is_told(served: Served) -> None:
    command = [sys.executable, "-m", "sleepagree", "page", "--no-browser", "--port", str(served.port)]
    ended = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    assert ended.returncode == 1
    assert "the page cannot be served there" in ended.stderr
    assert "--port" in ended.stderr
