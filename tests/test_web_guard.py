"""Who may ask, and how much: hostile requests, each refused or inert, and the server answers on.

References: Fetch standard (Origin, Sec-Fetch-Site); Content Security Policy Level 3; RFC 9110, RFC 9112.
"""

from __future__ import annotations

import re
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from conftest import ROOT
from served import Served, serving
from undersong.demo import hymn_files

HYMN = hymn_files()[0]


@pytest.fixture(autouse=True)
def _alive(served: Served) -> Iterator[None]:
    """Whatever a test asked, a plain visitor is answered afterwards."""
    yield
    assert httpx.get(served.url).status_code == 200


def raw(served: Served, *lines: str, body: bytes = b"", wait: float = 20.0) -> str:
    """Send a request byte for byte; the whole answer."""
    with socket.create_connection(("127.0.0.1", served.port), timeout=wait) as line:
        line.sendall("\r\n".join([*lines, "", ""]).encode("latin-1") + body)
        answer = b""
        try:
            while part := line.recv(65536):
                answer += part
        except TimeoutError:
            pass
    return answer.decode("latin-1")


def status_of(answer: str) -> int:
    return int(answer.split(" ", 2)[1])


def test_it_listens_on_this_machine_alone(served: Served) -> None:
    """The port is not open on other addresses of the machine."""
    table = Path("/proc/net/tcp")
    if not table.exists():
        pytest.skip("other systems do not list their ports so")
    listening = [line.split()[1] for line in table.read_text().splitlines()[1:] if line.split()[3] == "0A"]
    ours = [one for one in listening if int(one.split(":")[1], 16) == served.port]
    assert ours == [f"0100007F:{served.port:04X}"]  # 127.0.0.1 in the byte order of the table


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:{port}", "127.0.0.1.evil.example:{port}", "localhost:1", "",
             "127.0.0.2:{port}", "[::1]:{port}", "0.0.0.0:{port}"],
)  # fmt: skip
def test_foreign_hosts_are_refused(served: Served, host: str) -> None:
    """A name that another site has pointed at this machine (DNS rebinding)."""
    named = host.format(port=served.port)
    assert status_of(raw(served, "GET / HTTP/1.1", f"Host: {named}", "Connection: close")) in (400, 421)


def test_two_hosts_are_refused(served: Served) -> None:
    """One for us, one for somebody else."""
    here = f"Host: 127.0.0.1:{served.port}"
    assert status_of(raw(served, "GET / HTTP/1.1", here, "Host: evil.example", "Connection: close")) == 400


@pytest.mark.parametrize("name", ["127.0.0.1", "localhost", "LOCALHOST"])
def test_this_machines_own_names_are_answered(served: Served, name: str) -> None:
    """And only these."""
    assert status_of(raw(served, "GET / HTTP/1.1", f"Host: {name}:{served.port}", "Connection: close")) == 200


FOREIGN = (
    {"origin": "https://evil.example"},
    {"origin": "null"},
    {"origin": "http://127.0.0.1:1"},
    {"origin": "https://127.0.0.1:{port}"},
    {"sec-fetch-site": "cross-site"},
    {"sec-fetch-site": "same-site"},
    {"origin": "http://127.0.0.1:{port}", "sec-fetch-site": "cross-site"},
    {"origin": "http://127.0.0.1:{port}.evil.example"},
)


@pytest.mark.parametrize("heads", FOREIGN)
@pytest.mark.parametrize("path", ["/bring", "/bring-demo", "/hymns/x/undo", "/hymns/x/remove"])
def test_no_other_site_may_write(served: Served, heads: dict[str, str], path: str) -> None:
    """A form on another page, sent by her browser."""
    told = {name: value.format(port=served.port) for name, value in heads.items()}
    answer = httpx.post(served.url + path, headers=told, data={"version": "0"})
    assert answer.status_code == 403
    assert not (served.folder / "hymns").exists()


def test_no_other_site_may_look(served: Served) -> None:
    """Scripts, pictures and frames of other pages get nothing; following a link is harmless."""
    cross = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}
    assert httpx.get(served.url, headers=cross).status_code == 403
    assert httpx.get(served.url, headers=cross | {"sec-fetch-mode": "navigate"}).status_code == 200
    heads = httpx.get(served.url).headers
    assert "access-control-allow-origin" not in heads
    assert heads["cross-origin-resource-policy"] == "same-origin"


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "PROPFIND"])
def test_only_get_and_post(served: Served, method: str) -> None:
    """Nothing else is asked of a page."""
    assert httpx.request(method, served.url + "/hymns/x").status_code in (405, 501)


@pytest.mark.parametrize("kind", ["application/json", "text/plain", "text/xml"])
def test_only_forms_are_taken(served: Served, kind: str) -> None:
    """Types that a foreign page may send without asking first are no way around."""
    answer = httpx.post(served.url + "/bring", content=b"{}", headers={"content-type": kind, "origin": served.url})
    assert answer.status_code == 415


@pytest.mark.parametrize("path", ["/", "/static/page.css", "/nowhere", "/hymns/none", "/fonts/Leipzig.ttf"])
def test_every_answer_says_what_a_page_may_do(served: Served, path: str) -> None:
    """No script or style but our own files, no frame around us, nothing guessed."""
    heads = httpx.get(served.url + path).headers
    policy = dict(part.strip().split(" ", 1) for part in heads["content-security-policy"].split(";"))
    assert policy["default-src"] == policy["base-uri"] == policy["frame-ancestors"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["form-action"] == "'self'"
    assert "unsafe" not in heads["content-security-policy"]
    assert heads["x-content-type-options"] == "nosniff"


def test_no_page_holds_script_or_style_of_its_own() -> None:
    """What the policy forbids is not written either."""
    for page in (ROOT / "src/undersong/web/templates").glob("*.html"):
        text = page.read_text()
        assert not re.search(r"<style|\sstyle=|\son[a-z]+=|javascript:|hx-on|hx-vals='js|https?://", text), page.name
        assert all("src=" in tag for tag in re.findall(r"<script[^>]*>", text)), page.name


def test_nothing_is_marked_safe_but_our_own_pictures() -> None:
    """Templates escape everything; only engraved systems, written by lxml, pass as they are."""
    for page in (ROOT / "src/undersong/web/templates").glob("*.html"):
        assert not re.search(r"\|\s*safe|autoescape", page.read_text()), page.name
    code = (ROOT / "src/undersong/web").rglob("*.py")
    assert sum(page.read_text().count("Markup(") for page in code) == 1


PATHS = (
    "/static/../guard.py", "/static/%2e%2e/guard.py", "/static/..%2fguard.py", "/static//etc/passwd",
    "/static/%2fetc%2fpasswd", "/fonts/../booklet.typ", "/fonts/..%2f..%2fworkflow.py", "/hymns/../../etc/passwd",
    "/hymns/..%2f..%2fetc%2fpasswd", "/hymns/%00", "/hymns/.lock", "/received/..%2f..", "/received/.%2e/hymns",
    "/job/..%2f..%2fx/file", "/hymns/x%0d%0aSet-Cookie:a=b", "/static/page.css%00.html", "/hymns/" + "x" * 3000,
)  # fmt: skip


@pytest.mark.parametrize("path", PATHS)
def test_paths_lead_nowhere(served: Served, path: str) -> None:
    """Names in addresses are looked up, never put into a path."""
    answer = raw(served, f"GET {path} HTTP/1.1", f"Host: 127.0.0.1:{served.port}", "Connection: close")
    assert status_of(answer) in (400, 404, 405)
    assert "root:" not in answer
    assert "def " not in answer


def test_addresses_are_bounded(served: Served) -> None:
    """A very long one."""
    assert httpx.get(served.url + "/?show=" + "x" * 5000).status_code == 414


def test_uploads_are_bounded_in_size(served: Served) -> None:
    """One that says so beforehand, and one that does not."""
    here, origin = f"Host: 127.0.0.1:{served.port}", f"Origin: {served.url}"
    kind = "Content-Type: multipart/form-data; boundary=x"
    told = raw(served, "POST /bring HTTP/1.1", here, origin, kind, "Content-Length: 99999999999")
    assert status_of(told) == 413
    first = b'--x\r\nContent-Disposition: form-data; name="files"; filename="a.abc"\r\n\r\n'
    parts = (first if not number else b"x" * 2**20 for number in range(40))
    try:
        answer = httpx.post(
            served.url + "/bring", content=parts, headers={"content-type": kind[14:], "origin": served.url}
        )
        assert answer.status_code == 413
    except httpx.WriteError:
        pass  # the server has hung up on it
    assert status_of(raw(served, "POST /bring HTTP/1.1", here, origin, kind, "Content-Length: -5")) in (400, 413)


def test_many_fields_and_files_are_bounded(served: Served) -> None:
    """Forms as no page of ours sends them."""
    with served.client() as client:
        fields = {f"f{number}": "1" for number in range(5000)}
        assert client.post("/bring", data=fields, files={"files": ("a.abc", b"X:1")}).status_code in (400, 422)
        files = [("files", (f"{number}.abc", b"X:1\nK:C\nCDEF|")) for number in range(500)]
        assert client.post("/bring", files=files).status_code in (400, 422)
        assert client.post("/bring", data={"files": "x" * 400_000}, files={"a": b""}).status_code in (400, 422)


def test_broken_forms_are_refused(served: Served) -> None:
    """A body that is not what it says."""
    with served.client() as client:
        for body in (
            b"",
            b"--x",
            b"--x\r\n\r\n",
            b"\xff\xfe" * 50,
            b"--x\r\nContent-Disposition: form-data\r\n\r\n1\r\n--x--",
        ):
            heads = {"content-type": "multipart/form-data; boundary=x"}
            assert client.post("/bring", content=body, headers=heads).status_code in (400, 422)
        heads = {"content-type": "multipart/form-data"}
        assert client.post("/bring", content=b"--x", headers=heads).status_code in (400, 422)


@pytest.mark.slow
def test_slow_senders_do_not_hold_the_server(served: Served) -> None:
    """Fifty lines that never finish their request; a visitor beside them is answered at once."""
    lines = [socket.create_connection(("127.0.0.1", served.port)) for _ in range(50)]
    for line in lines:
        line.sendall(f"POST /bring HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\nContent-Length: 1000\r\n\r\n".encode())
    begun = time.monotonic()
    assert httpx.get(served.url).status_code == 200
    assert time.monotonic() - begun < 5
    for line in lines:
        line.close()


SCRIPTS = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "{{ 7*191919 }}",
    "</title><svg onload=alert(1)>",
)


@pytest.mark.parametrize("script", SCRIPTS)
def test_script_in_title_words_chord_and_name_is_text(served: Served, script: str) -> None:
    """Everywhere a file's text is shown it is text."""
    quoted = script.replace("&", "&amp;").replace("<", "&lt;").replace('"', "&quot;")
    source = HYMN.read_text().replace("Water waking in the hollow", quoted).replace(">Wa<", f">{quoted}<")
    assert source.count(quoted) > 1
    with served.client() as client:
        files = {"files": (f"{script.replace('/', '')}.musicxml", source.encode())}
        gone = client.post("/bring", files=files, follow_redirects=True)
        name = gone.url.path.split("/")[2]
        version = re.search(r'name="version" value="(\w+)"', gone.text)
        assert version
        wrong = client.post(
            f"/hymns/{name}/chord", data={"version": version[1], "bar": "1", "beat": "1", "chord": script}
        )
        stale = client.post(f"/hymns/{name}/plan/0", data={"version": "0" * 16, "who": script, "texture": "block"})
        assert (wrong.status_code, stale.status_code) == (422, 409)
        pages = [client.get(f"/hymns/{name}{rest}").text for rest in ("", "/understood", "/plan", "/plan/0", "/take")]
        for page in [gone.text, wrong.text, stale.text, *pages, client.get("/").text]:
            assert "{" in script or script not in page
            assert "1343433" not in page  # 7 times 191919: a template in a title is not worked out
            assert not re.search(r"<(script|img|svg)[^>]*(onload|onerror|alert)", page)
        client.post(f"/hymns/{name}/remove", data={"version": version[1]})


def test_a_port_in_use_is_told_with_the_way_out(served: Served, tmp_path: Path) -> None:
    """No traceback; the option is named."""
    import subprocess  # noqa: PLC0415
    import sys  # noqa: PLC0415

    done = subprocess.run(
        [sys.executable, "-m", "undersong", "open", "--no-browser", "--port", str(served.port)],
        capture_output=True, text=True, check=False, cwd=tmp_path,
        env={"PYTHONPATH": str(ROOT / "src"), "PATH": "", "UNDERSONG_HOME": str(tmp_path)},
    )  # fmt: skip
    assert done.returncode == 3
    assert f"port {served.port} cannot be used" in done.stderr
    assert "--port" in done.stderr
    assert "Traceback" not in done.stderr


def test_two_at_once_find_ports_of_their_own(served: Served, tmp_path: Path) -> None:
    """Without --port another one is found."""
    with serving(tmp_path) as second:
        assert second.port != served.port
        assert httpx.get(second.url).status_code == 200


def test_a_tablet_needs_the_code_and_it_works_once(tmp_path: Path) -> None:
    """In the nave: no page without the code, none with a wrong one; the right one once; guessing is ended."""
    with serving(tmp_path, "--lan") as served:
        for _ in range(50):
            if any("tablet" in line for line in served.said) or len(served.said) > 3:
                break
            time.sleep(0.1)
        near = [found[1] for line in served.said if (found := re.search(r"network: http://([\d.]+):", line))]
        if not near:
            pytest.skip("this machine has no address in a network")
        url = f"http://{near[0]}:{served.port}"
        code = next(found[1] for line in served.said if (found := re.search(r"device: (\d{6})", line)))
        heads = {"origin": url}
        with httpx.Client(base_url=url, headers=heads) as tablet:
            assert tablet.get("/").status_code == 403
            assert "hymns" not in tablet.get("/").text
            assert tablet.post("/bring-demo").status_code == 403
            assert tablet.post("/code", data={"code": "000000" if code != "000000" else "1"}).status_code == 403
            let_in = tablet.post("/code", data={"code": code})
            assert let_in.status_code == 303
            assert "HttpOnly" in let_in.headers["set-cookie"]
            assert "SameSite=Strict" in let_in.headers["set-cookie"]
            assert tablet.get("/").status_code == 200
        with httpx.Client(base_url=url, headers=heads) as other:
            assert other.post("/code", data={"code": code}).status_code == 403
            for _ in range(10):
                other.post("/code", data={"code": "x"})
            assert other.get("/", headers={"cookie": "undersong=guess"}).status_code == 403
        codes = [found[1] for line in served.said if (found := re.search(r"device: (\d{6})", line))]
        assert len(codes) >= 3  # after use, and after five wrong ones each
        assert httpx.get(f"http://127.0.0.1:{served.port}/").status_code == 200
        assert httpx.get(f"http://{near[0]}:{served.port}/", headers={"host": "evil.example"}).status_code == 421
