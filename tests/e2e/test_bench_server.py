"""The bench from outside: who is let in, what is bounded, and that no name of a file is trusted."""

from __future__ import annotations

import io
import json
import shutil
import signal
import socket
import time
from concurrent.futures import ThreadPoolExecutor
from urllib.parse import quote

import pytest

from bench_server import serving
from conftest import require_component, run_strobewise
from strobewise.case.sheet import read_sheet
from strobewise.machine import LINE_SETS, fault, simulate

LINES = LINE_SETS["eight"]


@pytest.fixture(scope="module", autouse=True)
def component():
    try:
        import starlette
        import uvicorn
    except ModuleNotFoundError:
        require_component("starlette and uvicorn", None, 'pip install "strobewise[bench]"')
    return starlette, uvicorn


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    with serving(tmp_path_factory.mktemp("bench") / "mine") as served:
        assert served.change("/case", {"symptom": "dead", "leads": "8"})[0] == 200
        yield served


def vcd(*faults, **changes):
    out = io.StringIO()
    simulate(**{"lines": LINES, "duration_s": 0.002, "faults": list(faults), **changes}).write_vcd(out)
    return out.getvalue().encode()


def put(bench, name, body, **headers):
    return bench.ask("PUT", f"/captures?name={quote(name, safe='')}", body, headers)


def test_only_the_loopback_listens(bench):
    with socket.socket() as other:
        other.settimeout(2)
        host = socket.gethostbyname(socket.gethostname())
        if not host.startswith("127."):
            assert other.connect_ex((host, bench.port)) != 0


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 200), ({"Cookie": None}, 403), ({"Cookie": "bench=x"}, 403), ({"Host": "evil.example"}, 421),
        ({"Host": "127.0.0.1:1"}, 421), ({"Sec-Fetch-Site": "cross-site"}, 403), ({"Sec-Fetch-Site": "same-site"}, 403),
        ({"Sec-Fetch-Site": "same-origin"}, 200),
    ],
)  # fmt: skip
def test_who_may_read(bench, headers, status):
    answered, sent, text = bench.ask("GET", "/", None, headers)
    assert answered == status and ("bench-token" in text) == (status == 200)
    assert "default-src 'none'" in sent["content-security-policy"] and sent["x-content-type-options"] == "nosniff"
    assert "unsafe" not in sent["content-security-policy"] and sent["cache-control"] == "no-store"


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": None}, {"Origin": "http://evil.example"}, {"Origin": "null"}, {"Origin": "http://127.0.0.1:1"}, {"X-Bench-Token": None},
        {"X-Bench-Token": "x"}, {"Cookie": None}, {"Host": "evil.example"}, {"Sec-Fetch-Site": "cross-site"},
    ],
)  # fmt: skip
@pytest.mark.parametrize("path", ["/case", "/answers", "/withdrawals", "/closing"])
def test_who_may_change(bench, path, headers):
    bench.page_token()
    before = bench.ask("GET", "/version")[2]
    assert bench.change(path, {"kind": "note", "note": "x"}, **headers)[0] in (403, 421)
    assert put(bench, "x.vcd", vcd(), **headers)[0] in (403, 421)
    assert bench.ask("GET", "/version")[2] == before


def test_a_request_without_a_host_is_none(bench):
    assert bench.ask("GET", "/", None, {"Host": None})[0] == 400


def test_the_key_opens_the_page_once_it_is_right(bench):
    status, sent, _ = bench.ask("GET", f"/?key={bench.key}", None, {"Cookie": None})
    cookie = sent["set-cookie"].lower()
    assert status == 303 and sent["location"] == "/" and "httponly" in cookie and "samesite=strict" in cookie
    assert bench.ask("GET", "/?key=wrong", None, {"Cookie": None})[0] == 403


@pytest.mark.parametrize("method", ["DELETE", "PUT", "PATCH", "OPTIONS"])
def test_nothing_else_is_answered(bench, method):
    assert bench.ask(method, "/")[0] in (403, 405)


@pytest.mark.parametrize("path", ["/files/../desk.py", "/files/bench_new.html.j2", "/files/%2e%2e/output.py", "/files//etc/passwd", "/etc"])
def test_only_the_page_s_own_files_are_served(bench, path):
    assert bench.ask("GET", path)[0] == 404


@pytest.mark.parametrize(
    "body",
    [
        b"", b"[]", b"null", b"{", b"\xff\xfe", b'{"kind": 7}', b'{"kind": "volts", "about": "M1", "value": "hot"}', b"x" * 40_000,
        b'{"kind": "volts", "about": "M1", "value": "1e999"}', b'{"kind": "volts", "about": "M1", "value": "nan"}',
        b'{"kind": "pulses", "about": "../x", "value": 1}', b'{"kind": "supply", "value": -5000}', b'{"kind": "supply", "value": NaN}',
        b'{"a":' * 3000, b"[" * 16_000, b'{"kind": "supply", "value": %s}' % (b"9" * 400), b'{"kind": "\\ud800", "about": "\\ud800"}',
    ],
)  # fmt: skip
def test_nonsense_is_refused_in_one_line(bench, body):
    before = bench.ask("GET", "/version")[2]
    status, _, text = bench.ask("POST", "/answers", body)
    assert status == 422 and "\n" not in json.loads(text)["error"]
    assert bench.ask("GET", "/version")[2] == before


@pytest.mark.parametrize("minutes", ["-5", "nan", "inf", "1e300", "1e7"])
def test_no_number_makes_a_sheet_that_cannot_be_read_again(bench, minutes):
    status, _, text = bench.ask("PUT", f"/captures?name=x.vcd&minutes={minutes}", vcd())
    assert status == 422 and "minutes_on" in json.loads(text)["error"]
    assert bench.ask("GET", "/")[0] == 200


@pytest.mark.parametrize("told", [{"clock_mhz": "0.0001"}, {"clock_mhz": -3}, {"clock_mhz": 1e7}, {"leads": 1000}])
def test_no_number_begins_a_case_that_cannot_be_read_again(tmp_path, told):
    with serving(tmp_path / "new") as bench:
        assert bench.change("/case", {"symptom": "dead", **told})[0] == 422
        assert bench.ask("GET", "/")[0] == 200 and "A new case" in bench.ask("GET", "/")[2]


def raw(bench, request, wait=0.0):
    """Send bytes as they are, and return what comes back."""
    with socket.create_connection(("127.0.0.1", bench.port), timeout=10) as connection:
        connection.sendall(request)
        time.sleep(wait)
        connection.shutdown(socket.SHUT_WR)
        return b"".join(iter(lambda: connection.recv(1 << 16), b""))


@pytest.mark.parametrize(
    "lines",
    [
        "GET / HTTP/1.1\r\nHost: {host}\r\nHost: evil.example", "GET / HTTP/1.1\r\nHost: evil.example\r\nHost: {host}",
        "GET http://{host}/ HTTP/1.1\r\nHost: evil.example", "GET / HTTP/1.1\r\nHost: {host}@evil.example",
        "GET / HTTP/1.1\r\nHost: {host}.\r\nX: 1", "GET / HTTP/1.1\r\nHost: {host} evil.example", "GET / HTTP/1.0",
        "POST /answers HTTP/1.1\r\nHost: {host}\r\nX-Bench-Token: {token}\r\nOrigin: {origin}.evil.example\r\n"
        "Content-Length: 2\r\n\r\n{{}}",
        "POST /answers HTTP/1.1\r\nHost: {host}\r\nX-Bench-Token: {token}\r\nReferer: {origin}/\r\nContent-Length: 2\r\n\r\n{{}}",
        "POST /answers HTTP/1.1\r\nHost: {host}\r\nOrigin: {origin}\r\nX-Bench-Token: \xff\xfe\r\nContent-Length: 2\r\n\r\n{{}}",
        "GET /?key=%ff%fe HTTP/1.1\r\nHost: {host}\r\nX: 1", "GET /\x00 HTTP/1.1\r\nHost: {host}",
    ],
)  # fmt: skip
def test_bent_requests_get_nothing(bench, lines):
    """Two hosts, none, a whole address, a host within another, an origin that begins like ours, bytes that are no text."""
    host = f"127.0.0.1:{bench.port}"
    head, _, body = lines.partition("\r\n\r\n")
    cookie = "" if "key=" in head else f"\r\nCookie: bench-{bench.port}={bench.key}"
    text = f"{head}{cookie}\r\nConnection: close\r\n\r\n{body}".format(host=host, token=bench.page_token(), origin=bench.origin)
    answer = raw(bench, text.encode("latin-1"))
    assert answer.split(b" ", 2)[1] in (b"400", b"403", b"404", b"421") and b"bench-token" not in answer


def test_a_slow_client_holds_nobody_up_and_does_not_keep_the_bench_from_ending(tmp_path):
    """One that sends half a head, one that sends half a capture; `serving` ends the bench as Ctrl-C does, in a bounded time."""
    with serving(tmp_path / "mine") as bench, socket.socket() as head, socket.socket() as body:
        bench.change("/case", {"symptom": "dead"})
        for slow in (head, body):
            slow.connect(("127.0.0.1", bench.port))
        head.sendall(b"GET / HTTP/1.1\r\nHost: 127")
        body.sendall(
            f"PUT /captures?name=x.vcd HTTP/1.1\r\nHost: 127.0.0.1:{bench.port}\r\nCookie: bench-{bench.port}={bench.key}\r\n"
            f"Origin: {bench.origin}\r\nX-Bench-Token: {bench.token}\r\nContent-Length: 900000\r\n\r\n$date".encode()
        )  # fmt: skip
        assert bench.ask("GET", "/")[0] == 200 and bench.change("/answers", {"kind": "note", "note": "x"})[0] == 200
        bench.process.send_signal(signal.SIGINT)
        bench.process.wait(timeout=30)
    assert not list((tmp_path / "mine").rglob(".strobewise-*"))


def test_changes_from_two_sides_lose_nothing(bench):
    """The page and the command line change one case at once: each entry is on the sheet, or was refused in one line."""
    case = str(bench.folder)
    before = read_sheet(bench.folder).items
    with ThreadPoolExecutor(6) as pool:
        page = [pool.submit(bench.change, "/answers", {"kind": "note", "note": f"page {n}"}) for n in range(6)]
        uploads = [pool.submit(put, bench, f"u{n}.vcd", vcd()) for n in range(2)]
        lines = [pool.submit(run_strobewise, "case", "answer", case, "note", f"line {n}") for n in range(3)]
        kept = [each.result()[0] for each in (*page, *uploads)] + [each.result().returncode for each in lines]
    assert set(kept) <= {200, 422, 0, 2}
    now = read_sheet(bench.folder).items
    assert now[: len(before)] == before and len(now) - len(before) == kept.count(200) + kept.count(0) > 0
    assert [item.number for item in now] == list(range(1, len(now) + 1))
    assert all(bench.folder.joinpath(item.file).is_file() for item in now if item.file is not None)


def test_a_link_leads_nothing_in_or_out(tmp_path):
    """A case from elsewhere may bring links: nothing is written through one, and a bundle holds no file from outside."""
    secret, outside = tmp_path / "secret", tmp_path / "outside"
    secret.write_bytes(vcd())
    outside.mkdir()
    case = tmp_path / "mine"
    with serving(case) as bench:
        bench.change("/case", {"symptom": "dead"})
        (case / "captures").rmdir()
        (case / "captures").symlink_to(outside)
        status, _, text = put(bench, "x.vcd", vcd())
        assert status == 422 and "a link leads out of the case" in json.loads(text)["error"] and not list(outside.iterdir())
        (case / "captures").unlink()
        assert put(bench, "x.vcd", vcd())[0] == 200
    (case / "captures" / "1-x.vcd").unlink()
    (case / "captures" / "1-x.vcd").symlink_to(secret)
    done = run_strobewise("case", "report", case, "--bundle", tmp_path / "case.zip")
    assert done.returncode == 2 and b"a link leads out of the case" in done.stderr and not (tmp_path / "case.zip").exists()


def test_a_profile_is_never_a_file_that_the_page_names(tmp_path):
    secret = tmp_path / "p.toml"
    secret.write_text('name = "x"\n')
    with serving(tmp_path / "new") as bench:
        status, _, text = bench.change("/case", {"symptom": "dead", "profile": str(secret)})
        assert status == 422 and "there is no profile" in json.loads(text)["error"]
        assert not (tmp_path / "new").exists()


HOSTILE = [
    "../../evil.vcd", "..\\..\\evil.vcd", "/etc/evil.vcd", "<img src=x onerror=alert(1)>.vcd", "a\nb\x1b[31m.vcd", "\u202egpj.vcd",
    "con.vcd", ".hidden.vcd", "-rf.vcd", "x" * 400 + ".vcd", "'; drop table.vcd", "%2e%2e%2f.vcd", "case.toml", "",
]  # fmt: skip


def test_no_name_of_a_file_is_trusted(bench, tmp_path_factory):
    root = tmp_path_factory.getbasetemp()
    before = set(root.rglob("*evil*")) | set(root.rglob(".strobewise-*"))  # of other tests
    content = vcd()
    for name in HOSTILE:
        status, _, text = put(bench, name, content)
        assert status in (200, 422), text
    folders = {path.parent.name for path in set(root.rglob("*evil*")) - before}
    assert folders <= {"captures"}
    for path in root.rglob("captures/*"):
        assert path.name.isascii() and path.name.isprintable() and len(path.name) < 120 and not path.name.startswith((".", "-"))
    page = bench.ask("GET", "/")[2]
    assert "<img" not in page and "\x1b" not in page
    assert not set(root.rglob(".strobewise-*")) - before  # nothing half-written


def test_what_is_no_capture_is_told_and_leaves_nothing(bench, tmp_path_factory):
    before = {path for path in tmp_path_factory.getbasetemp().rglob("*") if path.is_file()}
    for body in (b"", b"MZ\x00\x01", b"$date today $end\n"):
        status, _, text = put(bench, "x.vcd", body)
        assert status == 422 and json.loads(text)["error"]
    assert {path for path in tmp_path_factory.getbasetemp().rglob("*") if path.is_file()} == before


def test_an_upload_is_bounded(tmp_path):
    import asyncio

    from starlette.requests import Request

    from strobewise.case.experience import NO_EXPERIENCE
    from strobewise.errors import UsageError
    from strobewise_cli.page_server.desk import Beginning, Desk
    from strobewise_cli.page_server.routes import _upload

    given = iter([{"type": "http.request", "body": bytes(600), "more_body": True}] * 5)

    async def receive():
        return next(given)

    scope = {"type": "http", "method": "PUT", "path": "/captures", "query_string": b"name=x.vcd", "headers": []}
    with pytest.raises(UsageError, match="more than 0 MB"):
        asyncio.run(_upload(Request(scope, receive), Desk(tmp_path / "case", Beginning(None, 8), NO_EXPERIENCE), 1000))
    assert next(given, None) is not None  # it stopped reading
    assert list((tmp_path / "case").iterdir()) == []


def test_a_watched_folder_brings_its_exports(tmp_path):
    exports = tmp_path / "exports"
    exports.mkdir()
    (exports / "old.vcd").write_bytes(vcd())
    with serving(tmp_path / "mine", "--watch", str(exports)) as bench:
        bench.change("/case", {"symptom": "dead"})
        (exports / "fresh.vcd").write_bytes(vcd(fault("dead-low", line="M1")))
        (exports / "bad.vcd").write_bytes(b"nonsense")
        (exports / "link.vcd").symlink_to(exports / "old.vcd")
        for _ in range(100):
            page = bench.ask("GET", "/")[2]
            if "fresh.vcd" in page and "bad.vcd in the watched folder" in page:
                break
            time.sleep(0.3)
        assert "1-fresh.vcd" in page and "/M1 (pin 27) is dead" in page
        assert "old.vcd" not in page and "link.vcd" not in page
        assert len(list((tmp_path / "mine" / "captures").glob("*.vcd"))) == 1


def test_leads_as_planned_name_the_channels_of_an_analyser(tmp_path):
    with serving(tmp_path / "mine") as bench:
        bench.change("/case", {"symptom": "dead", "leads": "2"})
        out = io.StringIO()
        simulate(lines=("MREQ", "M1"), names="channels", duration_s=0.002).write_vcd(out)
        status, _, text = bench.ask("PUT", "/captures?name=x.vcd&planned=1&minutes=20&note=warm", out.getvalue().encode())
        assert status == 200, text
    shown = run_strobewise("case", "show", tmp_path / "mine").stdout.decode()
    assert "on for 20 minutes" in shown and "warm" in shown
    beside = next((tmp_path / "mine" / "captures").glob("*.map.toml")).read_text()
    assert 'MREQ = "CH0"' in beside


def test_a_capture_is_taken_from_the_page(tmp_path):
    require_component("the capture host", shutil.which("sigrok-cli"), "install sigrok-cli, without its bundled decoders")
    with serving(tmp_path / "mine", "--device", "demo") as bench:
        bench.change("/case", {"symptom": "dead", "leads": "4"})
        assert "Capture now with demo" in bench.ask("GET", "/")[2]
        status, _, text = bench.change("/records", {"note": "from here"})
        assert status == 200, text
        assert "from here" in bench.ask("GET", "/")[2]
    beside = next((tmp_path / "mine" / "captures").glob("*.map.toml")).read_text()
    assert 'MREQ = "D0"' in beside


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("--watch", "nowhere"), "this is no folder (--watch nowhere): name the folder that the capture program exports to"),
        (("--port", "99999"), "nothing can listen there"),
        (("--machine", "nothing"), "no profile 'nothing' (--machine): name a .toml file"),
    ],
)  # fmt: skip
def test_what_cannot_be_served_is_one_line(tmp_path, arguments, told):
    done = run_strobewise("bench", tmp_path / "mine", *arguments, cwd=tmp_path)
    assert done.returncode == 2 and done.stderr.decode().startswith(f"strobewise: error: {told}") and done.stderr.count(b"\n") == 1
    assert not (tmp_path / "mine").exists()
