"""Files of releases over HTTP. Outside judges: RFC 9110, RFC 9530, RFC 6266, and the clients that researchers use."""

from __future__ import annotations

import hashlib
import json
import logging
import random
from base64 import b64encode
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from django.http import HttpResponseBase, StreamingHttpResponse
from django.test import Client, RequestFactory
from django.utils.http import http_date
from hypothesis import given
from hypothesis import strategies as st

from surveys.models import Release
from surveys.web import downloads
from surveys.web.downloads import BLOCK_BYTES, Part, send_file
from tests.factories import client_of, make_account
from tests.published import PUBLISHED, publish, withdraw

#: Three blocks and a bit, so that a part may begin and end in any of them.
CONTENT = random.Random(20260701).randbytes(3 * BLOCK_BYTES + 1234)
SHA256 = hashlib.sha256(CONTENT).hexdigest()
ROWS = b"return_id,night\na,2026-05-02\nb,\n"
TAG, WHEN = f'"{SHA256}"', http_date(PUBLISHED.timestamp())
FILE = "/releases/1.0.0/counts.parquet"


@pytest.fixture
def release(db: None, settings: Any, tmp_path: Path) -> Release:
    """A published release of a table and a larger file."""
    settings.RELEASES_FOLDER = tmp_path
    return publish({"returns.csv": ROWS, "counts.parquet": CONTENT})


def body(answer: Any) -> bytes:
    return b"".join(answer.streaming_content) if answer.streaming else answer.content


def read(path: str = FILE, client: Client | None = None, **headers: str) -> Any:
    return (client or Client()).get(path, headers={name.replace("_", "-"): value for name, value in headers.items()})


# --- a whole file -----------------------------------------------------------------------------------


def test_a_whole_file_says_all_that_a_reader_needs(release: Release) -> None:
    """RFC 9110, sections 8.6, 8.8.2, 8.8.3, 14.3; RFC 9530, section 3; RFC 6266, section 4; RFC 8246."""
    answer = read()
    assert (answer.status_code, body(answer)) == (200, CONTENT)
    digest = f"sha-256=:{b64encode(hashlib.sha256(CONTENT).digest()).decode()}:"
    told = {
        "Content-Type": "application/vnd.apache.parquet",
        "Content-Length": str(len(CONTENT)),
        "Accept-Ranges": "bytes",
        "ETag": TAG,
        "Last-Modified": "Wed, 01 Jul 2026 02:00:00 GMT",
        "Repr-Digest": digest,
        "Content-Digest": digest,
        "Content-Disposition": 'attachment; filename="counts.parquet"',
        "X-Content-Type-Options": "nosniff",
        "Access-Control-Allow-Origin": "*",
    }
    assert {name: answer[name] for name in told} == told
    kept = {one.strip() for one in answer["Cache-Control"].split(",")}
    assert {"public", "max-age=31536000", "immutable", "no-transform"} <= kept


def test_the_digest_is_written_as_the_standard_shows() -> None:
    """RFC 9530, appendix B.1: the digest of {"hello": "world"} with a line feed."""
    hello = b'{"hello": "world"}\n'
    answer = sent(hello)
    assert answer["Repr-Digest"] == "sha-256=:RK/0qy18MlBSVnWgjwz6lZEWjP/lF5HF9bvEF8FabDg=:"
    # Appendix B.2: on a HEAD the digest of the content would be that of no content, so it is left out.
    assert "Content-Digest" not in sent(hello, "HEAD")


def test_a_table_says_its_letters_and_that_it_has_a_header(release: Release) -> None:
    """RFC 4180, section 3: the parameters charset and header."""
    answer = read("/releases/1.0.0/returns.csv")
    assert answer["Content-Type"] == "text/csv; charset=utf-8; header=present"
    assert body(answer) == ROWS


def test_the_list_of_files_is_served_with_the_checksum_of_the_release(release: Release) -> None:
    answer = read("/releases/1.0.0/manifest.json")
    assert answer["Content-Type"] == "application/json"
    assert hashlib.sha256(body(answer)).hexdigest() == release.sha256
    assert answer["ETag"] == f'"{release.sha256}"'


def test_head_tells_the_same_and_sends_nothing(release: Release) -> None:
    """RFC 9110, section 9.3.2; a Range means nothing here: section 14.2."""
    whole = read()
    answer = Client().head(FILE, headers={"Range": "bytes=0-9"})
    assert (answer.status_code, body(answer)) == (200, b"")
    left_out = {"Content-Digest", "X-Request-Id"}
    assert {n: v for n, v in answer.items() if n not in left_out} == {
        n: v for n, v in whole.items() if n not in left_out
    }


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE", "TRACE"])
def test_another_method_is_refused_with_those_that_there_are(release: Release, method: str) -> None:
    """RFC 9110, section 15.5.6: Allow. A POST hears the same, although it brings no token of a form."""
    answer = Client(enforce_csrf_checks=True).generic(method, FILE)
    assert answer.status_code == 405
    assert {one.strip() for one in answer["Allow"].split(",")} == {"GET", "HEAD", "OPTIONS"}


def test_a_script_of_another_site_may_ask_for_ranges(release: Release) -> None:
    """Fetch standard, section 3.3: a preflight, and the fields that may be read."""
    asked = {"Origin": "https://notebook.example", "Access-Control-Request-Headers": "range,if-range"}
    answer = Client().options(FILE, headers=asked)
    assert (answer.status_code, answer["Access-Control-Allow-Origin"]) == (204, "*")
    assert {"Range", "If-Range"} <= {one.strip() for one in answer["Access-Control-Allow-Headers"].split(",")}
    shown = read(Range="bytes=0-1")["Access-Control-Expose-Headers"]
    assert {"Content-Range", "ETag", "Accept-Ranges", "Content-Length"} <= {one.strip() for one in shown.split(",")}


def test_a_packed_form_is_never_sent(release: Release) -> None:
    answer = read("/releases/1.0.0/returns.csv", Accept_Encoding="gzip, br, zstd")
    assert "Content-Encoding" not in answer
    assert body(answer) == ROWS


# --- the same for all -------------------------------------------------------------------------------


def test_an_open_file_is_the_same_for_all_whoever_asks(release: Release) -> None:
    """One copy in a cache serves everybody: no cookie, nothing that changes with one or with the language."""
    signed_in = client_of(make_account())
    stale = Client()
    stale.cookies["trapnight"] = "gone"
    askers = [Client(), signed_in, stale]
    answers = [read(client=one, Accept_Language=language) for one in askers for language in ("en", "de")]
    answers += [read(client=signed_in, Range="bytes=0-9"), read(client=signed_in, If_None_Match=TAG)]
    for answer in answers:
        assert not answer.cookies
        assert "Vary" not in answer
        assert "Content-Language" not in answer
        assert "public" in answer["Cache-Control"]
        body(answer)


def test_pages_still_change_with_language_and_visitor(release: Release) -> None:
    page = read("/", client_of(make_account()))
    assert "Accept-Language" in page["Vary"]
    assert page["Cache-Control"] == "no-store"


# --- preconditions: RFC 9110, section 13 ------------------------------------------------------------

EARLIER, LATER = http_date(PUBLISHED.timestamp() - 60), http_date(PUBLISHED.timestamp() + 60)


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"If-Match": TAG}, 200),  # 13.1.1
        ({"If-Match": f'"old", {TAG}'}, 200),
        ({"If-Match": "*"}, 200),
        ({"If-Match": '"old"'}, 412),
        ({"If-Match": f"W/{TAG}"}, 412),  # strong comparison
        ({"If-None-Match": TAG}, 304),  # 13.1.2
        ({"If-None-Match": f"W/{TAG}"}, 304),  # weak comparison
        ({"If-None-Match": f'"old", {TAG}'}, 304),
        ({"If-None-Match": "*"}, 304),
        ({"If-None-Match": '"old"'}, 200),
        ({"If-Modified-Since": WHEN}, 304),  # 13.1.3
        ({"If-Modified-Since": LATER}, 304),
        ({"If-Modified-Since": EARLIER}, 200),
        ({"If-Modified-Since": "some day"}, 200),
        ({"If-Unmodified-Since": WHEN}, 200),  # 13.1.4
        ({"If-Unmodified-Since": EARLIER}, 412),
        # 13.2.2: the tag counts and the date beside it does not; what must hold comes before what is there already.
        ({"If-None-Match": '"old"', "If-Modified-Since": WHEN}, 200),
        ({"If-None-Match": TAG, "If-Modified-Since": EARLIER}, 304),
        ({"If-Match": TAG, "If-Unmodified-Since": EARLIER}, 200),
        ({"If-Match": '"old"', "If-None-Match": TAG}, 412),
        ({"If-None-Match": TAG, "Range": "bytes=0-9"}, 304),
        ({"If-Match": '"old"', "Range": "bytes=0-9"}, 412),
        ({"If-Match": TAG, "Range": "bytes=0-9"}, 206),
        # 13.1.5 and step 5 of 13.2.2: the range if it is this version, else the whole new one.
        ({"If-Range": TAG, "Range": "bytes=0-9"}, 206),
        ({"If-Range": WHEN, "Range": "bytes=0-9"}, 206),
        ({"If-Range": '"old"', "Range": "bytes=0-9"}, 200),
        ({"If-Range": f"W/{TAG}", "Range": "bytes=0-9"}, 200),
        ({"If-Range": LATER, "Range": "bytes=0-9"}, 200),
        ({"If-Range": '"old"', "Range": "bytes=99999999-"}, 200),
        ({"If-Range": TAG}, 200),
    ],
)  # fmt: skip
def test_preconditions(release: Release, headers: dict[str, str], status: int) -> None:
    answer = Client().get(FILE, headers=headers)
    assert answer.status_code == status
    if status == 200:
        assert body(answer) == CONTENT
    if status == 206:
        assert body(answer) == CONTENT[:10]
    if status == 304:
        assert body(answer) == b""
        # 15.4.5: what updates a cache. 8.6: the length is that of the file, or it is not there at all.
        assert (answer["ETag"], answer["Content-Length"]) == (TAG, str(len(CONTENT)))
        assert "public" in answer["Cache-Control"]
    if status == 412:
        assert "another version" in body(answer).decode()


# --- parts: RFC 9110, section 14 --------------------------------------------------------------------


def test_a_part_says_which_bytes_it_is(release: Release) -> None:
    """Sections 14.4 and 15.3.7; RFC 9530, appendix B.3: the digest is still that of the whole."""
    first, last = BLOCK_BYTES - 3, BLOCK_BYTES + 4
    answer = read(Range=f"bytes={first}-{last}")
    assert (answer.status_code, body(answer)) == (206, CONTENT[first : last + 1])
    assert answer["Content-Range"] == f"bytes {first}-{last}/{len(CONTENT)}"
    assert answer["Content-Length"] == "8"
    assert answer["Repr-Digest"] == read()["Repr-Digest"]
    assert "Content-Digest" not in answer
    assert answer["ETag"] == TAG


def test_bytes_that_are_not_there_are_refused_with_the_size(release: Release) -> None:
    """Sections 14.4 and 15.5.17."""
    for asked in (f"bytes={len(CONTENT)}-", "bytes=-0"):
        answer = read(Range=asked)
        assert (answer.status_code, answer["Content-Range"]) == (416, f"bytes */{len(CONTENT)}")
        assert str(len(CONTENT)) in body(answer).decode()


def test_several_ranges_or_none_that_can_be_read_get_the_whole(release: Release) -> None:
    for asked in ("bytes=0-1,5-6", "rows=0-1", "bytes=9-1"):
        answer = read(Range=asked)
        assert (answer.status_code, body(answer)) == (200, CONTENT)


def sent(content: bytes, method: str = "GET", **headers: str) -> HttpResponseBase:
    """Return the answer of ``send_file`` itself for a file of this content."""
    path = _FOLDER / hashlib.sha256(content).hexdigest()
    path.write_bytes(content)
    request = RequestFactory().generic(method, "/", headers=headers)
    return send_file(
        request, path, media_type="application/octet-stream", name="a file.bin", modified=PUBLISHED, immutable=True,
        sha256=path.name,
    )  # fmt: skip


@pytest.fixture(autouse=True)
def _folder(tmp_path: Path) -> None:
    global _FOLDER  # noqa: PLW0603 - hypothesis draws many files for one test
    _FOLDER = tmp_path


_FOLDER = Path()


@given(st.binary(max_size=40), st.integers(0, 45), st.integers(0, 45))
def test_any_range_is_the_slice_of_the_file(content: bytes, first: int, last: int) -> None:
    """Held against Python's own slices."""
    answer = sent(content, Range=f"bytes={first}-{last}")
    got = body(answer)
    if last < first:
        assert (answer.status_code, got) == (200, content)
    elif first >= len(content):
        assert answer.status_code == 416
    else:
        assert (answer.status_code, got) == (206, content[first : last + 1])
    assert answer.status_code == 416 or int(answer["Content-Length"]) == len(got)


@given(st.binary(min_size=1, max_size=40), st.integers(1, 45))
def test_any_end_is_the_slice_of_the_file(content: bytes, length: int) -> None:
    answer = sent(content, Range=f"bytes=-{length}")
    assert (answer.status_code, body(answer)) == (206, content[-length:])


def resumed(fetch: Any, cuts: list[int]) -> bytes:
    """Return a file that was read in pieces: each time the line broke, the rest was asked for."""
    got, tag = b"", None
    for cut in [*cuts, None]:
        headers = {"Range": f"bytes={len(got)}-", "If-Range": tag} if tag else {}
        answer, content = fetch(headers)
        assert answer.status_code == (206 if tag else 200)
        got += content[: None if cut is None else cut - len(got)]
        tag = answer.headers["ETag"]
    return got


def test_a_download_that_broke_off_20_times_is_the_same_to_the_last_byte(release: Release) -> None:
    cuts = sorted(random.Random(7).sample(range(1, len(CONTENT)), 20))

    def fetch(headers: dict[str, str]) -> tuple[Any, bytes]:
        answer = Client().get(FILE, headers=headers)
        return answer, body(answer)

    assert hashlib.sha256(resumed(fetch, cuts)).hexdigest() == SHA256


# --- the open file ----------------------------------------------------------------------------------


class Watched:
    """A file that says whether it was closed, and how much was read at a time."""

    name = "watched"

    def __init__(self, content: bytes) -> None:
        self.content, self.closed, self.asked = content, False, []

    def read(self, size: int) -> bytes:
        self.asked.append(size)
        got, self.content = self.content[:size], self.content[size:]
        return got

    def close(self) -> None:
        self.closed = True


def test_a_part_reads_blocks_and_not_one_byte_more() -> None:
    file = Watched(CONTENT)
    assert b"".join(Part(file, BLOCK_BYTES + 5)) == CONTENT[: BLOCK_BYTES + 5]  # type: ignore[arg-type]
    assert file.asked == [BLOCK_BYTES, 5]


def hang_up(answer: Any) -> None:
    """Do what the server does when a reader is gone, but for closing the connection to the database."""
    for close in answer._resource_closers:
        close()


def test_the_file_is_closed_when_the_reader_is_gone_before_the_first_byte() -> None:
    file = Watched(CONTENT)
    hang_up(StreamingHttpResponse(Part(file, 9)))  # type: ignore[arg-type]
    assert file.closed


def test_a_file_that_shrinks_while_it_is_sent_breaks_the_line() -> None:
    file = Watched(b"abc")
    with pytest.raises(OSError, match="2 bytes too early"):
        list(Part(file, 5))  # type: ignore[arg-type]


def test_no_answer_leaves_a_file_open(monkeypatch: pytest.MonkeyPatch) -> None:
    opened: list[Any] = []
    really = downloads._opened
    monkeypatch.setattr(downloads, "_opened", lambda path: opened.append(really(path)) or opened[-1])
    asked = [("GET", {}), ("GET", {"Range": "bytes=0-9"}), ("HEAD", {}), ("GET", {"If-None-Match": TAG}),
             ("GET", {"If-Match": '"old"'}), ("GET", {"Range": "bytes=-0"})]  # fmt: skip
    answers = [sent(CONTENT, method, **headers) for method, headers in asked]
    # The two that have something to send are open until it is sent.
    assert [one.closed for one in opened] == [False, False, True, True, True, True]
    for answer in answers:
        hang_up(answer)
    assert all(one.closed for one in opened)


# --- what is not there ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    ["/releases/1.0.0/nothing.csv", "/releases/2.0.0/returns.csv", "/releases/one/returns.csv", "/releases/1.0.0/..",
     "/releases/1.0.0/%2e%2e", "/releases/1.0.0/..%5c1.0.0%5creturns.csv", "/releases/1.0.0/%00",
     "/releases/1.0.0%00/returns.csv", "/releases/../returns.csv", "/releases/1.0.0/release.json",
     "/releases/latest/nothing.csv", "/releases/1.0.0/Returns.csv", "/releases/1.0.0/returns.csv%0a"],
)  # fmt: skip
def test_what_is_not_listed_is_not_there(release: Release, tmp_path: Path, path: str) -> None:
    """Names are looked up in the manifest: a file beside the listed ones is no file of the release."""
    (tmp_path / "1.0.0" / "release.json").write_text("{}")
    (tmp_path / "returns.csv").write_text("outside")
    answer = read(path)
    assert answer.status_code == 404
    assert b"outside" not in body(answer)


@pytest.mark.parametrize(
    "path",
    ["/releases/1.0.0/%2e%2e%2freturns.csv", "/releases/1.0.0/..%2f..%2fetc%2fpasswd", "/releases/1.0.0//returns.csv",
     "/releases//returns.csv", "/releases/1.0.0/1.0.0/returns.csv"],
)  # fmt: skip
def test_a_slash_in_a_name_leads_nowhere(release: Release, path: str) -> None:
    assert read(path).status_code == 404


def test_what_is_not_there_is_said_in_the_form_that_the_reader_takes(release: Release) -> None:
    path = "/releases/1.0.0/nothing.csv"
    plain = read(path)
    assert plain["Content-Type"] == "text/plain; charset=utf-8"
    assert "There is no file nothing.csv of a release 1.0.0." in plain.content.decode()
    assert "http://testserver/releases/" in plain.content.decode()
    page = read(path, Accept="text/html,application/xhtml+xml,*/*;q=0.8")
    assert page["Content-Type"].startswith("text/html")
    assert '<a href="/releases/">' in page.content.decode()
    for wish in ("application/json", "application/problem+json"):
        problem = read(path, Accept=wish)
        assert problem["Content-Type"] == "application/problem+json"  # RFC 9457, section 3
        assert {"type", "title", "status", "detail", "instance"} <= set(problem.json())
        assert Client().get(problem.json()["type"]).status_code == 200
    assert Client().head(path)["Content-Length"] == str(len(plain.content))
    assert read("/releases/1.0.0/<b>.csv", Accept="text/html").content.count(b"<b>") == 0


def test_a_listed_name_that_is_a_path_is_never_opened(db: None, settings: Any, tmp_path: Path) -> None:
    settings.RELEASES_FOLDER = tmp_path / "releases"
    (tmp_path / "secret.csv").write_text("secret")
    release = publish({"returns.csv": ROWS})
    row = {"path": "..", "bytes": 6, "sha256": "0" * 64, "media_type": "text/csv"}
    other = Release.objects.create(
        season=release.season, version="1.0.1", number=100000001, manifest={"files": [row]}, sha256="0" * 64,
        frozen_at=PUBLISHED,
    )  # fmt: skip
    assert read(f"/releases/{other.version}/..").status_code == 404


def test_a_link_in_the_place_of_a_file_is_not_followed(
    release: Release, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    (tmp_path / "elsewhere").write_bytes(CONTENT)
    (tmp_path / "1.0.0" / "counts.parquet").unlink()
    (tmp_path / "1.0.0" / "counts.parquet").symlink_to(tmp_path / "elsewhere")
    assert read().status_code == 503


@pytest.mark.parametrize("wrong", ["gone", "shorter", "longer", "a folder"])
def test_a_file_that_is_not_as_it_was_written_is_not_sent(
    release: Release, tmp_path: Path, caplog: pytest.LogCaptureFixture, wrong: str
) -> None:
    path = tmp_path / "1.0.0" / "counts.parquet"
    path.unlink()
    if wrong == "a folder":
        path.mkdir()
    elif wrong != "gone":
        path.write_bytes(CONTENT[:-1] if wrong == "shorter" else CONTENT + b"x")
    for headers in ({}, {"Range": "bytes=0-9"}):
        answer = Client().get(FILE, headers=headers)
        assert (answer.status_code, answer["Cache-Control"]) == (503, "no-store")
        assert int(answer["Retry-After"]) > 0
        assert b"our fault" in answer.content
        assert str(tmp_path) not in answer.content.decode()
    assert [one.levelno for one in caplog.records if one.name == "surveys.web.downloads"] == [logging.ERROR] * 2
    assert "counts.parquet" in caplog.text


@pytest.mark.parametrize("wrong", ["gone", "another"])
def test_a_list_of_files_that_is_not_the_published_one_is_not_sent(
    release: Release, tmp_path: Path, caplog: pytest.LogCaptureFixture, wrong: str
) -> None:
    path = tmp_path / "1.0.0" / "manifest.json"
    text = path.read_bytes()
    path.unlink()
    if wrong == "another":
        path.write_bytes(text.replace(b"1.0.0", b"1.0.9"))  # of the same size
    assert read("/releases/1.0.0/manifest.json").status_code == 503
    assert "manifest.json" in caplog.text


# --- the newest, and the withdrawn ------------------------------------------------------------------


def test_latest_leads_to_the_newest_published_release(release: Release) -> None:
    publish({"returns.csv": b"newer"}, version="1.10.0")
    publish({"returns.csv": b"newest"}, version="1.9.0")  # made later, numbered lower
    withdraw(publish({"returns.csv": b"withdrawn"}, version="2.0.0"))
    for ask in (Client().get, Client().head):
        answer = ask("/releases/latest/returns.csv")
        assert (answer.status_code, answer["Location"]) == (302, "/releases/1.10.0/returns.csv")  # RFC 9110, 15.4.3
        assert answer["Cache-Control"] == "no-store"
        assert answer["Access-Control-Allow-Origin"] == "*"
    assert body(Client().get("/releases/latest/returns.csv", follow=True)) == b"newer"
    assert Client(enforce_csrf_checks=True).post("/releases/latest/returns.csv").status_code == 405


def test_before_the_first_release_there_is_no_latest(db: None) -> None:
    answer = read("/releases/latest/returns.csv")
    assert (answer.status_code, b"No release is published yet." in answer.content) == (404, True)


def test_a_withdrawn_release_says_when_why_and_what_takes_its_place(release: Release) -> None:
    """RFC 9110, section 15.5.11: 410."""
    publish({"returns.csv": b"new"}, version="1.0.1")
    publish({"returns.csv": b"newer"}, version="1.0.2")
    withdraw(release)
    for name in ("returns.csv", "counts.parquet", "manifest.json"):
        answer = read(f"/releases/1.0.0/{name}")
        text = answer.content.decode()
        assert answer.status_code == 410
        assert "withdrawn on 3 August 2026" in text
        assert "The count of a garden was sent twice." in text
        assert "Version 1.0.2 takes its place." in text
        assert "http://testserver/releases/1.0.2/" in text
        assert release.sha256 in text
        assert answer["Cache-Control"] == "no-store"
    problem = read(Accept="application/json").json()
    assert (problem["status"], problem["replaced_by"]) == (410, "http://testserver/releases/1.0.2/")
    assert problem["because"] == "The count of a garden was sent twice."
    assert (problem["withdrawn_at"], problem["manifest_sha256"]) == ("2026-08-03T09:00:00Z", release.sha256)
    assert Client().get(problem["type"]).status_code == 200
    assert json.dumps(problem)
    page = read(Accept="text/html")
    assert '<a href="/releases/1.0.2/">' in page.content.decode()
    assert read("/releases/1.0.0/nothing.csv").status_code == 404
    assert Client().get(FILE, headers={"If-None-Match": TAG}).status_code == 410


def test_where_nothing_takes_its_place_that_is_said(release: Release) -> None:
    withdraw(release)
    answer = read()
    assert "Nothing takes its place yet." in answer.content.decode()
    assert read(Accept="application/json").json()["replaced_by"] is None


# --- one person's file ------------------------------------------------------------------------------


def test_one_person_s_file_is_kept_nowhere_and_closed_to_other_sites(tmp_path: Path) -> None:
    path = tmp_path / "export.csv"
    path.write_bytes(ROWS)
    sha256 = hashlib.sha256(ROWS).hexdigest()
    described: dict[str, Any] = {
        "media_type": "text/csv", "name": "Rückgaben 1.csv", "sha256": sha256, "immutable": False,
        "modified": datetime(2026, 7, 1, 2, 0, 0, 987654, tzinfo=UTC),
    }  # fmt: skip
    answer = send_file(RequestFactory().get("/", headers={"Range": "bytes=-3"}), path, **described)
    assert (answer.status_code, body(answer)) == (206, ROWS[-3:])
    assert answer["Cache-Control"] == "private, no-store"
    assert "Access-Control-Allow-Origin" not in answer
    # RFC 6266, section 4.3, with RFC 8187: letters beyond ASCII.
    assert answer["Content-Disposition"] == "attachment; filename*=utf-8''R%C3%BCckgaben%201.csv"
    assert answer["Last-Modified"] == "Wed, 01 Jul 2026 02:00:00 GMT"
    assert send_file(RequestFactory().options("/"), path, **described).status_code == 405
