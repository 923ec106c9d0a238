"""The server answers its own page on this machine, and nobody else."""

import http.client
import json
import queue
from collections.abc import Iterator

import pytest

from retro.cli.listen import listen
from retro.errors import SettingsError
from retro.listening import desk
from retro.listening.desk import Desk
from retro.listening.server import MAX_BODY, ListeningServer, serving
from tests.example import TARGET


@pytest.fixture(scope="module")
def server() -> Iterator[ListeningServer]:
    with ListeningServer(Desk(TARGET)) as served:
        thread = serving(served)
        yield served
        served.shutdown()
        thread.join()


def ask(
    server: ListeningServer,
    path: str,
    body: bytes | None = b"{}",
    /,
    **changes: str | None,
) -> tuple[int, bytes, dict[str, str]]:
    """Send a request as the page does, with some headers changed or (None) left out."""
    headers = {
        "Host": server.host,
        "Origin": f"http://{server.host}",
        "Content-Type": "application/json",
        "Content-Length": str(len(body or b"")),
        **{name.replace("_", "-"): value for name, value in changes.items()},
    }
    connection = http.client.HTTPConnection("127.0.0.1", server.server_address[1], timeout=60)
    connection.putrequest(
        "GET" if body is None else "POST", path, skip_host=True, skip_accept_encoding=True
    )
    for name, value in headers.items():
        if value is not None:
            connection.putheader(name, value)
    connection.endheaders(body)
    answer = connection.getresponse()
    said = answer.status, answer.read(), dict(answer.getheaders())
    connection.close()
    return said


def test_the_page_is_answered_with_a_policy_and_is_not_stored(server: ListeningServer) -> None:
    status, body, headers = ask(server, f"/{server.token}/", None)
    assert status == 200
    assert body.startswith(b"<!doctype html>")
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    assert "connect-src 'self'" in headers["Content-Security-Policy"]
    assert headers["Cache-Control"] == "no-store"
    assert headers["Referrer-Policy"] == "no-referrer"
    assert "Access-Control-Allow-Origin" not in headers


def test_what_the_page_asks_is_answered(server: ListeningServer) -> None:
    status, body, _ = ask(server, f"/{server.token}/plan")
    assert status == 200
    assert json.loads(body)["title"] == "Overture for a Harbour Pageant"


@pytest.mark.parametrize(
    "changes",
    [
        {"Host": "localhost:80"},
        {"Host": "attacker.example"},
        {"Host": None},
        {"Origin": "http://attacker.example"},
        {"Origin": "null"},
        {"Origin": None},
        {"Sec_Fetch_Site": "cross-site"},
        {"Sec_Fetch_Site": "same-site"},
        {"Content_Type": "text/plain"},
    ],
)
@pytest.mark.parametrize("asked", ["state", "plan", "flipped", "keep"])
def test_a_request_from_elsewhere_is_refused(
    server: ListeningServer, asked: str, changes: dict[str, str | None]
) -> None:
    status, body, headers = ask(server, f"/{server.token}/{asked}", b"{}", **changes)
    assert (status, body) == (403, b"")
    assert "Access-Control-Allow-Origin" not in headers


@pytest.mark.parametrize("host", ["attacker.example", "localhost", "127.0.0.1"])
def test_the_page_itself_is_refused_under_another_name(server: ListeningServer, host: str) -> None:
    assert ask(server, f"/{server.token}/", None, Host=host)[0] == 403


def test_a_request_without_the_token_is_refused(server: ListeningServer) -> None:
    wrong = server.token[:-1] + ("A" if server.token[-1] != "A" else "B")
    for path in ("/", "*", "x", "/plan", f"/{wrong}/plan", f"/{wrong}/", "/é/"):
        for body in (None, b"{}"):
            assert ask(server, path.encode("ascii", "replace").decode(), body)[0] == 403, path


def test_nothing_but_the_page_is_served(server: ListeningServer) -> None:
    for path in ("favicon.ico", "plan", "../", "..%2f..%2fetc/passwd", "handle_error"):
        assert ask(server, f"/{server.token}/{path}", None)[0] == 403, path
    for path in ("", "settings_path", "_plan", "__init__", "plan/", "plan?x"):
        assert ask(server, f"/{server.token}/{path}", b"{}")[0] == 403, path


def test_a_question_that_is_too_large_is_refused(server: ListeningServer) -> None:
    for length in (str(MAX_BODY + 1), "1e3", "-1", "9" * 30, "", None):
        refused = ask(server, f"/{server.token}/plan", b"", Content_Length=length)
        assert refused[0] == 403, length


def test_methods_that_the_page_does_not_use_do_nothing(server: ListeningServer) -> None:
    for method in ("PUT", "DELETE", "OPTIONS", "HEAD", "TRACE"):
        connection = http.client.HTTPConnection("127.0.0.1", server.server_address[1], timeout=60)
        connection.request(method, f"/{server.token}/plan")
        assert connection.getresponse().status == 501, method
        connection.close()


@pytest.mark.parametrize(
    ("body", "said"),
    [
        (b"{", "the page: "),
        (b"[]", "the page: "),
        (b'{"reverberation_s": "long"}', "reverberation_s"),
        (b'{"reverberation_s": -1}', "want a number from 0.05 to 20 s"),
        (b'{"parts": [{"match": "Nobody", "landing": "end"}]}', "no track is called 'Nobody'"),
        (b'{"lands_on": "1.1"}', "no tone lands at 1.1"),
    ],
)
def test_moves_that_mean_nothing_are_refused_in_one_line(
    server: ListeningServer, body: bytes, said: str
) -> None:
    status, answer, _ = ask(server, f"/{server.token}/plan", body)
    assert status == 200
    refused = json.loads(answer)["refused"]
    assert said in refused
    assert "\n" not in refused


def test_a_fault_that_nobody_foresaw_is_told_and_ends_nothing(
    server: ListeningServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[Exception] = []

    def fail(*_: object) -> None:
        raise ZeroDivisionError("of a test")

    with monkeypatch.context() as patch:
        patch.setattr(server, "tell", told.append)
        patch.setattr(server.desk, "plan", fail)
        status, answer, _ = ask(server, f"/{server.token}/plan")
        assert status == 200
        assert "unexpected fault" in json.loads(answer)["refused"]
        assert [str(fault) for fault in told] == ["of a test"]
    assert "title" in json.loads(ask(server, f"/{server.token}/plan")[1])


def test_a_port_that_is_taken_is_refused_in_one_line(server: ListeningServer) -> None:
    with pytest.raises(SettingsError, match=r"cannot be had: .*; leave --port out"):
        listen(TARGET, port=server.server_address[1], show=False)


def test_two_servers_have_ports_and_tokens_of_their_own(server: ListeningServer) -> None:
    with ListeningServer(server.desk) as other:
        assert other.token != server.token
        assert other.server_address != server.server_address
    assert server.server_address[0] == "127.0.0.1"


@pytest.mark.parametrize(
    ("said", "begun"), [("plain", "plain"), ("target", "target"), ("", "flipped"), ("?", "flipped")]
)
def test_with_the_numbers_the_sound_that_the_page_hears_is_begun(
    server: ListeningServer, monkeypatch: pytest.MonkeyPatch, said: str, begun: str
) -> None:
    names: queue.Queue[object] = queue.Queue()
    monkeypatch.setattr(desk, "page_sound", lambda *asked: names.put(asked[2]))
    status, _, _ = ask(server, f"/{server.token}/plan", b"{}", X_Hears=said)
    assert status == 200
    assert names.get(timeout=60) == begun
