"""Nobody but the desk's own page on this machine reads or writes at the desk. Cases as common practice has them: DNS
rebinding, posts from other sites and ports, paths out of the folder, requests without end."""

from __future__ import annotations

import json
import sqlite3

import pytest
from desk.runs import page, post_of, rows_of, served

from pipeline.desk.guards import MOST_BODY_BYTES
from pipeline.desk.serve import is_local
from pipeline.errors import RunError

ADDRESSES = (
    "/",
    "/desk.js",
    "/api/run",
    "/api/work?reader=Ann",
    "/picture/full?specimen=F00007L",
    "/readings.csv?reader=Ann",
)


@pytest.mark.parametrize("host", ["evil.test:8230", "127.0.0.1", "127.0.0.1:80", "localhost:8230.evil.test", ""])
def test_another_host_name_is_refused_before_all_else(client, host):
    for address in ADDRESSES:
        assert client.get(address, headers={"host": host}).status_code == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},  # a page of another port of this machine
        {"sec-fetch-site": "none"},
        {"sec-fetch-site": None, "origin": "http://evil.test"},
        {"sec-fetch-site": None, "origin": "http://127.0.0.1:9999"},
        {"sec-fetch-site": None, "origin": "null"},
        {"sec-fetch-site": None, "origin": None},
    ],
)
def test_a_post_from_another_page_is_refused_and_nothing_is_kept(client, run, headers):
    body = post_of(client, "F00007L", "Ann", 1, annuli=4)
    sent = {name: value for name, value in (page(client) | headers).items() if value is not None}
    answer = client.post("/api/answer", content=json.dumps(body), headers=sent)
    assert answer.status_code == 403
    assert rows_of(run, "readings") == []


def test_the_same_post_from_the_desks_own_page_is_kept(client, run):
    body = post_of(client, "F00007L", "Ann", 1, annuli=4)
    assert client.post("/api/answer", content=json.dumps(body), headers=page(client)).status_code == 200
    assert len(rows_of(run, "readings")) == 1


def test_looking_never_writes(client, run):
    before = {table: rows_of(run, table) for table in ("readings", "corrections", "desk")}
    for address in (
        *ADDRESSES,
        "/api/bone?specimen=F00007L&reader=Ann",
        "/api/find?text=F",
    ):
        assert client.get(address).status_code == 200
    for address in ("/api/mark", "/api/answer", "/api/axis", "/api/read-again"):
        assert client.get(address).status_code == 405
    assert {table: rows_of(run, table) for table in before} == before


@pytest.mark.parametrize(
    "address",
    [
        "/../run.sqlite",
        "/%2e%2e/run.sqlite",
        "/..%2frun.sqlite",
        "/run.json",
        "/overlays/F00007L.jpg",
        "/static/../desk.py",
        "/picture/full?specimen=../../../etc/passwd",
        "/picture/stored?specimen=..%2F..%2Frun.sqlite",
        "/picture/stored?specimen=F00007L%00",
        "//etc/passwd",
    ],
)
def test_no_address_leads_to_a_file(client, address):
    assert client.get(address).status_code == 404


def test_a_ledger_that_was_tampered_with_leads_to_no_file_either(client, run, tmp_path):
    secret = tmp_path / "secret.jpg"
    secret.write_bytes((run / "crops" / "walleye_2-1.jpg").read_bytes())
    with sqlite3.connect(run / "run.sqlite") as db:
        db.execute("UPDATE scans SET path = ? WHERE scan = 'walleye_2.jpg'", (str(secret),))
    db.close()
    assert client.get("/picture/full?specimen=F00007L").status_code == 404  # not the bytes that were aged
    (run / "crops" / "walleye_2-1.jpg").unlink()
    (run / "crops" / "walleye_2-1.jpg").symlink_to(secret)
    assert client.get("/picture/stored?specimen=F00007L").status_code == 404


def test_requests_have_a_largest_size(client):
    body = post_of(client, "F00007L", "Ann", 1, annuli=4, note="x" * (MOST_BODY_BYTES + 1))
    assert client.post("/api/answer", content=json.dumps(body), headers=page(client)).status_code == 413
    assert client.get("/api/find", params={"text": "x" * 5000}).status_code == 414


def test_a_body_that_lies_about_its_length_is_cut_off(client, run):
    def endless():
        for _ in range(100):
            yield b" " * 1000

    headers = page(client) | {"content-length": "10"}
    with pytest.raises(Exception):  # noqa: B017, PT011  (the connection ends; how depends on the client)
        client.post("/api/answer", content=endless(), headers=headers).raise_for_status()
    assert rows_of(run, "readings") == []


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""])
def test_a_form_is_no_post_of_the_page(client, kind):
    assert client.post("/api/answer", content="{}", headers=page(client) | {"content-type": kind}).status_code == 415


def test_every_answer_forbids_what_the_page_does_not_need(client):
    for address in ("/", "/api/run", "/nowhere"):
        headers = client.get(address).headers
        policy = headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"


def test_the_page_holds_no_script_or_style_of_its_own(client):
    text = client.get("/").text
    assert "<style" not in text
    assert " style=" not in text
    assert text.count("<script") == 1
    assert ' src="/desk.js"' in text


# ------------------------------------------------------------------------------------------------ another address
def test_with_a_token_nothing_is_served_without_it(desk):
    with served(desk, token="secret") as client:
        _enter_by_token(client)


def _enter_by_token(client):
    for address in ADDRESSES:
        assert client.get(address).status_code == 403
    assert client.get("/?token=wrong").status_code == 403
    assert client.get("/api/run?token=secret").status_code == 403
    entered = client.get("/?token=secret")
    assert entered.status_code == 303
    assert "httponly" in entered.headers["set-cookie"].lower()
    assert "samesite=strict" in entered.headers["set-cookie"].lower()
    assert client.get("/api/run").status_code == 200


@pytest.mark.parametrize(
    ("host", "here"),
    [("127.0.0.1", True), ("127.0.0.2", True), ("::1", True), ("0.0.0.0", False), ("192.0.2.7", False)],
)
def test_an_address_is_known_to_be_of_this_machine_alone(host, here):
    assert is_local(host) == here


def test_a_name_is_no_address():
    with pytest.raises(RunError, match="in numbers"):
        is_local("localhost")


def test_the_host_that_the_tests_use_is_the_one_that_is_served(client):
    assert client.get("/").status_code == 200
