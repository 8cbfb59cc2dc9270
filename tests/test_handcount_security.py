"""The hand-count page against whoever shouldn't be in it: a test for each protection."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from countable import SCRIPT, add_plant, make_survey
from fastapi.testclient import TestClient

from collarvision.answer import Reading
from collarvision.handcount import protection, running
from collarvision.handcount.entry import Gate
from collarvision.handcount.site import create_site
from collarvision.survey import Place, SurveyReader, SurveyWriter

PORT = 8000
HERE = f"http://localhost:{PORT}"
LAN = f"http://192.0.2.1:{PORT}"  # RFC 5737
PHONE = ("192.0.2.7", 40000)


@pytest.fixture
def survey(tmp_path: Path, drawn: tuple[bytes, Reading]) -> Path:
    path, _ = make_survey(tmp_path, drawn)
    return path


@pytest.fixture
def gate() -> Gate:
    return Gate()


@pytest.fixture
def site(survey: Path, gate: Gate) -> object:
    return create_site(survey, port=PORT, gate=gate, addresses=(LAN,))


@pytest.fixture
def here(site: object) -> TestClient:
    """A browser on the computer itself."""
    return TestClient(site, HERE, client=("127.0.0.1", 40000), follow_redirects=False)  # type: ignore[arg-type]


@pytest.fixture
def phone(site: object) -> TestClient:
    return TestClient(site, LAN, client=PHONE, follow_redirects=False)  # type: ignore[arg-type]


def token_of(client: TestClient) -> str:
    page = client.get("/enter").text if client.base_url.host != "localhost" else ""
    page = page or client.get("/queue").text
    return page.split('name="token" content="')[1].split('"')[0]


def post(client: TestClient, path: str, body: object, **headers: str) -> int:
    origin = str(client.base_url).rstrip("/")
    given = {"origin": origin, "x-collarvision-token": token_of(client), **headers}
    kept = {name: value for name, value in given.items() if value}
    return client.post(path, content=json.dumps(body), headers=kept).status_code


def first_plant(survey: Path) -> tuple[str, int]:
    with SurveyReader(survey) as store:
        row = next(store.plants())
    assert row.reading_id is not None
    return row.sha256, row.reading_id


def count_body(reading_id: int, key: str = "0123456789abcdef") -> dict[str, object]:
    return {"who": "Ann", "way": "on-plant", "stage": 4, "save_key": key, "reading_id": reading_id}


@pytest.fixture
def saving(survey: Path) -> tuple[str, dict[str, object]]:
    """A path and a body that the page would take from its own."""
    sha256, reading_id = first_plant(survey)
    return f"/plants/{sha256}/counts", count_body(reading_id)


def counts(survey: Path) -> int:
    with SurveyReader(survey) as store:
        return len(list(store.counts()))


# ------------------------------------------------------------------ who may come in


def test_the_page_is_bound_to_this_computer_by_default() -> None:
    from collarvision.commands_handcount import handcount

    assert handcount.__defaults__ is not None
    assert "127.0.0.1" in handcount.__defaults__
    with running._listen("127.0.0.1", 0) as listener:
        assert protection.is_loopback(listener.getsockname()[0])


@pytest.mark.parametrize("path", ["/queue", "/plants", "/agreement", "/take", "/phone", "/token"])
def test_the_code_is_asked_for_from_elsewhere(phone: TestClient, path: str) -> None:
    assert phone.get(path).status_code == 401
    sent = phone.get(path, headers={"accept": "text/html"})
    assert (sent.status_code, sent.headers["location"]) == (303, "/enter")


def test_photos_and_saving_are_closed_without_the_code(
    phone: TestClient, survey: Path, saving: tuple[str, dict[str, object]]
) -> None:
    sha256, _ = first_plant(survey)
    assert phone.get(f"/photos/{sha256}/page").status_code == 401
    assert post(phone, *saving) == 401
    assert post(phone, "/photos?new=X", {}) == 401
    assert counts(survey) == 0


def enter(phone: TestClient, code: str, **headers: str) -> int:
    page = phone.get("/enter").text
    token = page.split('name="token" value="')[1].split('"')[0]
    given = {"origin": LAN, "content-type": "application/x-www-form-urlencoded", **headers}
    return phone.post("/enter", content=f"token={token}&code={code}", headers=given).status_code


def test_the_code_opens_the_door_once(phone: TestClient, site: object, gate: Gate) -> None:
    code = gate.code().shown
    assert enter(phone, "WRONG234") == 403
    before = dict(phone.cookies)
    assert enter(phone, code) == 303
    assert dict(phone.cookies) != before  # the session that was known before is not let in
    assert phone.get("/queue").status_code == 200
    assert phone.get("/phone").status_code == 404  # the code itself is the computer's alone
    other = TestClient(site, LAN, client=("192.0.2.8", 1), follow_redirects=False)  # type: ignore[arg-type]
    assert enter(other, code) == 403
    assert other.get("/queue").status_code == 401


def test_tries_are_limited(phone: TestClient, gate: Gate) -> None:
    code = gate.code().shown
    tried = [enter(phone, "WRONG234") for _ in range(7)]
    assert tried == [403] * 5 + [429] * 2
    assert enter(phone, code) == 429


def test_a_forwarded_address_is_not_believed(phone: TestClient) -> None:
    forged = {"x-forwarded-for": "127.0.0.1", "forwarded": "for=127.0.0.1"}
    assert phone.get("/queue", headers=forged).status_code == 401


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(here: TestClient) -> None:
    cookie = here.get("/queue").headers["set-cookie"]
    assert cookie.startswith(f"collarvision{PORT}=")
    for word in ("HttpOnly", "SameSite=Strict", "Path=/"):
        assert word in cookie


# ------------------------------------------------------------------ names of this computer


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:8000", "localhost:9000", "localhost", "", "localhost:8000@x"],
)
def test_a_name_that_somebody_points_here_is_refused(here: TestClient, host: str) -> None:
    # DNS rebinding: a page elsewhere whose name suddenly means this computer.
    assert here.get("/queue", headers={"host": host}).status_code == 421


def test_from_elsewhere_localhost_is_no_name_of_this_computer(phone: TestClient) -> None:
    assert phone.get("/enter", headers={"host": f"localhost:{PORT}"}).status_code == 421
    assert phone.get("/enter").status_code == 200


# ------------------------------------------------------------------ what changes something


def test_saving_from_the_page_itself_works(
    here: TestClient, survey: Path, saving: tuple[str, dict[str, object]]
) -> None:
    assert post(here, *saving) == 200
    assert post(here, *saving, **{"sec-fetch-site": "same-origin"}) == 200
    assert counts(survey) == 1  # it was the same save twice


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": ""},
        {"origin": f"http://localhost:{PORT + 1}"},
        {"origin": f"https://localhost:{PORT}"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
        {"x-collarvision-token": ""},
        {"x-collarvision-token": "0" * 64},
        {"cookie": f"collarvision{PORT}={'x' * 43}"},
    ],
    ids=str,
)
def test_saving_from_another_site_is_refused(
    here: TestClient,
    survey: Path,
    saving: tuple[str, dict[str, object]],
    headers: dict[str, str],
) -> None:
    assert post(here, *saving, **headers) == 403
    assert counts(survey) == 0


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_are_refused(here: TestClient, method: str) -> None:
    assert here.request(method, "/queue").status_code == 405


def test_the_door_itself_wants_its_own_form(phone: TestClient, gate: Gate) -> None:
    code = gate.code().shown
    assert enter(phone, code, origin="http://evil.example") == 403
    form = {"origin": LAN, "content-type": "application/x-www-form-urlencoded"}
    phone.get("/enter")
    assert phone.post("/enter", content=f"code={code}", headers=form).status_code == 403
    assert phone.get("/queue").status_code == 401


# ------------------------------------------------------------------ what pages may do


def test_every_answer_carries_the_policy(here: TestClient, phone: TestClient) -> None:
    answers = [
        here.get("/queue"),
        here.get("/static/plant.js"),
        here.get("/nothing"),
        here.get("/queue", headers={"host": "evil.example"}),
        phone.get("/queue"),
    ]
    for answer in answers:
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "script-src 'self'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        assert answer.headers["x-content-type-options"] == "nosniff"


def test_no_page_holds_a_script_or_style_of_its_own(here: TestClient, survey: Path) -> None:
    sha256, _ = first_plant(survey)
    for path in ("/queue", "/plants", "/take", "/agreement", "/phone", f"/plants/{sha256}"):
        page = here.get(path).text
        assert "<script>" not in page
        assert "<style" not in page
        assert " style=" not in page
        assert " onclick=" not in page
        assert "https://" not in page  # nothing is loaded from elsewhere


def test_names_are_words_and_not_code(
    here: TestClient, survey: Path, tmp_path: Path, drawn: tuple[bytes, Reading]
) -> None:
    place = Place(SCRIPT, "2027-05-20", SCRIPT, "folder")
    name = f'"><img src=x onerror=alert(1)>{SCRIPT}.jpg'
    with SurveyWriter(survey, create=True) as store:
        sha256 = add_plant(store, tmp_path, drawn, name, place, reasons=(SCRIPT,))
        row = store.plant(sha256)
    assert row is not None
    body = {**count_body(row.reading_id or 0), "who": SCRIPT, "note": SCRIPT}
    assert post(here, f"/plants/{sha256}/counts", body) == 200
    for path in ("/queue", "/plants", "/take", "/agreement", f"/plants/{sha256}"):
        page = here.get(path, headers={"accept": "text/html"}).text
        assert SCRIPT not in page
        assert "<img src=x" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page


# ------------------------------------------------------------------ paths and bodies


@pytest.mark.parametrize(
    "path",
    [
        "/static/../site.py",
        "/static/..%2fsite.py",
        "/static/%2e%2e%2fsite.py",
        "/static/....//site.py",
        "/static/plant.html",
        "/photos/..%2f..%2fetc%2fpasswd/page",
        f"/photos/{'0' * 64}/..%2fpage",
        f"/photos/{'0' * 64}/page",
        f"/plants/{'g' * 64}",
        f"/plants/{'0' * 64}",
        "/plants/' OR 1=1 --",
        "/queue?field=99",
        "/docs",
        "/openapi.json",
    ],
)
def test_no_path_comes_from_outside(here: TestClient, path: str) -> None:
    answer = here.get(path)
    assert answer.status_code == 404
    assert "Traceback" not in answer.text


def test_a_photo_is_served_only_while_it_is_that_photo(
    here: TestClient, survey: Path, tmp_path: Path
) -> None:
    sha256, _ = first_plant(survey)
    answer = here.get(f"/photos/{sha256}/page")
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "image/jpeg"
    with SurveyReader(survey) as store:
        hashes = [row.sha256 for row in store.plants()]
        (path,) = store.files_of(hashes[1])
    Path(path).write_bytes(b"something else that was put there")
    assert here.get(f"/photos/{hashes[1]}/page").status_code == 404


def test_what_is_no_photo_in_a_forged_survey_stays_where_it_is(
    here: TestClient, survey: Path, tmp_path: Path, drawn: tuple[bytes, Reading]
) -> None:
    import hashlib

    from collarvision.survey import FileFacts

    secret = tmp_path / "secret.txt"
    secret.write_text("a secret")
    sha256 = hashlib.sha256(secret.read_bytes()).hexdigest()
    with SurveyWriter(survey, create=True) as store:
        row = next(store.plants())
        store._connection.execute(
            "UPDATE photos SET sha256 = ? WHERE sha256 = ?", (sha256, row.sha256)
        )
        store.note_file(sha256, FileFacts(str(secret), 8, 1, 2))
    answer = here.get(f"/photos/{sha256}/page")
    assert answer.status_code == 404
    assert "a secret" not in answer.text


@pytest.mark.parametrize(
    "path", ["/photos?field=1", "/plants/SHA/counts", "/plants/SHA/aside", "/enter"]
)
def test_a_page_that_is_closed_while_it_sends_is_no_fault(
    here: TestClient, site: Any, survey: Path, path: str
) -> None:
    token = token_of(here)
    path, _, query = path.replace("SHA", first_plant(survey)[0]).partition("?")
    cookie = "; ".join(f"{name}={value}" for name, value in here.cookies.items())
    headers = {
        "host": f"localhost:{PORT}",
        "origin": HERE,
        "cookie": cookie,
        "x-collarvision-token": token,
        "content-length": "1000",
    }
    scope = {
        "type": "http",
        "method": "POST",
        "path": path,
        "query_string": query.encode(),
        "headers": [(name.encode(), value.encode()) for name, value in headers.items()],
        "client": ("127.0.0.1", 40000),
        "server": ("127.0.0.1", PORT),
        "scheme": "http",
    }
    coming = iter(
        [{"type": "http.request", "body": b"x", "more_body": True}, {"type": "http.disconnect"}]
    )
    sent: list[dict[str, Any]] = []

    async def receive() -> dict[str, Any]:
        return next(coming)

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    asyncio.run(site(scope, receive, send))  # nothing is raised, which the server would print
    assert (sent[0]["status"], sent[1]["body"]) == (499, b"")


def test_bodies_are_limited(here: TestClient, saving: tuple[str, dict[str, object]]) -> None:
    path, body = saving
    long = {**body, "note": "x" * protection.MAX_FORM_BYTES}
    assert post(here, path, long) == 413
    assert post(here, path, body, **{"content-length": "9" * 30}) == 413

    def endless() -> Iterator[bytes]:
        for _ in range(40):
            yield b" " * 16384

    headers = {"origin": HERE, "x-collarvision-token": token_of(here)}
    assert here.post(path, content=endless(), headers=headers).status_code == 413


@pytest.mark.parametrize(
    "change",
    [
        {"who": ""},
        {"who": "x" * 61},
        {"save_key": "../../etc"},
        {"stage": 99},
        {"stage": None},
        {"way": "imported"},
        {"surprise": 1},
        {"handles": [{"part": "collar", "x": 1, "y": 1, "rank": 1}] * 81},
        {"height_mm": 1e9},
    ],
    ids=str,
)
def test_what_no_page_would_send_is_refused(
    here: TestClient,
    survey: Path,
    saving: tuple[str, dict[str, object]],
    change: dict[str, object],
) -> None:
    path, body = saving
    assert post(here, path, {**body, **change}) == 422
    assert post(here, path, "not an object") == 422
    assert counts(survey) == 0


def test_a_terminal_is_not_commanded_by_a_name(
    here: TestClient, survey: Path, saving: tuple[str, dict[str, object]]
) -> None:
    path, body = saving
    assert post(here, path, {**body, "who": "Ann\x1b[2J"}) == 200
    with SurveyReader(survey) as store:
        (count,) = store.counts()
    assert "\x1b" not in count.count.who
