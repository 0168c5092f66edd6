"""Only the page itself, on this machine, with the token, is answered."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any
from urllib.parse import urlsplit

import pytest

from meniscal_measure.errors import UsageError
from meniscal_measure.review.desk import Desk
from meniscal_measure.review.guard import MAX_BODY_BYTES
from meniscal_measure.review.routes import application
from meniscal_measure.review.serve import PageServer
from tests.exchange.listening import lasting_port


@pytest.fixture
def client(open_desk: Callable[..., Desk], served: Callable[[Desk], Any]) -> Any:
    return served(open_desk("exactly-3mm"))


def own(client: Any, **changed: str) -> dict[str, str]:
    host = urlsplit(client.address).netloc
    return {"Host": host, "Origin": f"http://{host}", "X-Reader": "Reader%20A"} | changed


def path_of(client: Any) -> str:
    path: str = urlsplit(client.address).path
    return path


def test_the_page_answers_its_own_address(client: Any) -> None:
    status, headers, content = client.raw("GET", path_of(client), own(client))

    assert status == 200
    assert b"<!doctype html>" in content
    assert headers["content-type"] == "text/html; charset=utf-8"


@pytest.mark.parametrize("path", ["/", "/wrong/", "/wrong/api/tasks", "//", "/api/tasks", "*"])
def test_without_the_token_nothing_is_answered(client: Any, path: str) -> None:
    status, _, content = client.raw("GET", path, own(client))

    assert (status, content) == (
        403,
        b"The address of the page is not complete. Take it from the program.",
    )


def test_a_token_that_is_nearly_right_is_wrong(client: Any) -> None:
    status, _, _ = client.raw("GET", path_of(client)[:-2] + "/", own(client))

    assert status == 403


@pytest.mark.parametrize(
    "headers",
    [
        {"Host": "evil.example"},
        {"Host": "127.0.0.1"},
        {"Host": ""},
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
@pytest.mark.parametrize("method", ["GET", "POST"])
def test_foreign_pages_and_rebound_names_are_refused(
    client: Any, headers: dict[str, str], method: str
) -> None:
    body = "{}" if method == "POST" else None
    status, _, content = client.raw(
        method, path_of(client) + "api/tasks", own(client, **headers), body
    )

    assert status == 403
    assert b"exactly-3mm" not in content


def test_a_change_without_an_origin_is_refused(client: Any) -> None:
    headers = own(client)
    del headers["Origin"]
    status, _, content = client.raw("POST", path_of(client) + "api/tasks", headers, "{}")

    assert (status, content) == (403, b"Only the page itself may ask for this.")


@pytest.mark.parametrize(
    "path",
    [
        "../../../../etc/passwd",
        "..%2f..%2f..%2fetc%2fpasswd",
        "%2e%2e/%2e%2e/etc/passwd",
        "....//etc/passwd",
        "/etc/passwd",
        "page/index.html",
        "jsconfig.json",
        "main.js/../../desk.py",
        "api/tasks/..%2f..%2fetc",
        "api/tasks/../../desk.py",
    ],
)
def test_no_path_leads_out_of_the_page(client: Any, path: str) -> None:
    status, _, content = client.raw("GET", path_of(client) + path, own(client))

    assert status in (400, 403, 404)
    assert b"root:" not in content
    assert b"import" not in content


def test_every_answer_forbids_whatever_the_page_does_not_need(client: Any) -> None:
    for path in ("", "main.js", "absent", "api/tasks"):
        _, headers, _ = client.raw("GET", path_of(client) + path, own(client))
        policy = headers["content-security-policy"]
        assert policy.startswith("default-src 'none'; script-src 'self'; style-src 'self';")
        assert "unsafe" not in policy
        assert headers["cache-control"] == "no-store"
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["x-content-type-options"] == "nosniff"
        assert "server" not in headers


@pytest.mark.parametrize(
    ("body", "status", "said"),
    [
        ("x" * (MAX_BODY_BYTES + 1), 413, b"too large"),
        ("[]", 400, b"must be a JSON object"),
        ("{", 400, b"cannot be used"),
        ("[" * 50_000, 400, b"cannot be used"),
        ("{}", 400, b"cannot be used"),
    ],
)
def test_senseless_bodies_are_refused(client: Any, body: str, status: int, said: bytes) -> None:
    path = f"{path_of(client)}api/tasks/{client.first_task()}/change"
    answer = client.raw("POST", path, own(client), body)

    assert answer[0] == status
    assert said in answer[2]


def test_the_server_is_bound_to_this_machine_only(open_desk: Callable[..., Desk]) -> None:
    server = PageServer(application(open_desk("exactly-3mm")))

    assert server._socket.getsockname()[0] == "127.0.0.1"
    port = server._socket.getsockname()[1]
    with pytest.raises(UsageError, match=rf"Port {port} cannot be used"):
        PageServer(application(open_desk("exactly-3mm")), port=port)
    server._socket.close()


def test_a_page_is_served_on_its_usual_port_if_that_is_free(
    open_desk: Callable[..., Desk],
) -> None:
    def port_of(server: PageServer) -> int:
        return int(server._socket.getsockname()[1])

    served = application(open_desk("exactly-3mm"))
    first = PageServer(served, port=lasting_port())
    beside = PageServer(served, usual_port=port_of(first))
    usual = port_of(first)
    first._socket.close()
    again = PageServer(served, usual_port=usual)

    assert port_of(again) == usual != port_of(beside)
    beside._socket.close()
    again._socket.close()


def test_each_server_has_a_token_of_its_own(open_desk: Callable[..., Desk]) -> None:
    servers = [PageServer(application(open_desk("exactly-3mm"))) for _ in range(2)]
    tokens = [urlsplit(server.address).path.strip("/") for server in servers]
    for server in servers:
        server._socket.close()

    assert tokens[0] != tokens[1]
    assert min(map(len, tokens)) >= 32
