"""Our own corpus: what is done to a path, a query, a header or a body. Sources: standards notes S29 and A13; OWASP WSTG
4.2, sections 4.7 (input validation) and 4.2 (HTTP methods); RFC 9110 and 9112 for what a header may hold.
"""

from __future__ import annotations

import base64
import gzip
import json
from random import Random

#: Methods beside those an address answers to.
METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "CONNECT", "PURGE", "get", "FOO", "")

#: Ends that a path gets, or pieces that go into it.
PATHS = (
    "/", "//", "/.", "/..", "/../../etc/passwd", "/%2e%2e/%2e%2e/", "/%2E", "%00", "/%00/", "%0d%0aInjected:%20yes",
    "%ff%fe", "/%c0%af", "%u0041", ";a=b", "/;/", ".json", ".php", "~", "/*", "%", "%zz", "%E2%80%AE", "/%F0%9F%90%9C",
    "%EF%BC%8F", "%2f", "%5c..%5c", "\\", "?", "#", " ", "%20", "%0a", "/" + "a" * 5000, "/a" * 2000, "%25252e",
)  # fmt: skip

#: What takes the place of an id in a path.
IDS = (
    "0", "-1", "1", "9223372036854775807", "9223372036854775808", "1" + "0" * 400, "00000000-0000-0000-0000-000000000000",
    "FFFFFFFF-FFFF-FFFF-FFFF-FFFFFFFFFFFF", "' OR '1'='1", "1;DROP TABLE surveys_return", "${7*7}", "{{7*7}}", "<script>",
    "NaN", "null", "%D9%A1", "1e3", "+1", "1_0", "0x10", "..", "%2e%2e", "%00", "a" * 300, "test-2026%00",
)  # fmt: skip

QUERIES = (
    "a=b", "format=xml", "page=-1", "limit=-1", "limit=0", "limit=999999999999999999999", "limit=1_0", "limit=%D9%A1",
    "limit=NaN", "limit=", "limit=1&limit=2", "cursor=", "cursor=AAAA", "cursor=%00", "cursor=" + "A" * 9000, "%00=%00",
    "%ff=%fe", "&&&&", "====", "a[]=1&a[b]=2", "season=test-2026", "season=test-2026&state=%00", "season[]=x",
    "region=eastmark&region=westmark", "days=99999999999999", "days=-1", "f=" + "x" * 60_000,
    "&".join(f"p{n}={n}" for n in range(3000)), "bbox=1,2,3", "bbox=NaN,NaN,NaN,NaN", "bbox=-Infinity,0,1e999,1",
    "datetime=../..", "datetime=9999-99-99", "q=%27%20OR%201%3D1--", "next=https://evil.example/", "next=//evil.example",
    "next=%0d%0aInjected:%20yes", "language=xx", "set=%F0%9F%90%9C", "a=%E2%80%AE%00", ";", "a;b", "?", "%",
    "rim_exponent=1e308", "rim_exponent=nan", "night_from=0000-00-00", "night_to=99999-01-01", "at=2026-02-30",
)  # fmt: skip

HEADERS: tuple[dict[str, str], ...] = (
    *({"X-HTTP-Method-Override": method} for method in ("DELETE", "PUT", "TRACE", "FOO\x00")),
    {"X-HTTP-Method": "DELETE"}, {"X-Method-Override": "PATCH"},
    *(
        {"Host": host}
        for host in ("", "evil.example", "testserver:99999", "testserver:", "@", "a b", "[::1", "testserver\x00", "é", "." * 300,
                     "testserver, evil.example", "testserver/../", "127.0.0.1:80#x")
    ),
    {"X-Forwarded-Host": "evil.example"}, {"X-Forwarded-Proto": "https, http"}, {"X-Forwarded-For": "x" * 5000},
    {"X-Forwarded-For": "1.2.3.4, ::1, unknown, \x00"}, {"Forwarded": "for=\"_x\";host=evil"}, {"X-Original-URL": "/desk/"},
    {"X-Rewrite-URL": "/desk/"}, {"X-Request-Id": "a\r\nInjected: yes"}, {"X-Request-Id": "é" * 40},
    *({"If-Match": tag} for tag in ("", "*", "W/", '"', '"a', 'W/"a"', "a,b,c", '"' + "x" * 9000 + '"', "\x00", '"\xff"')),
    *({"If-None-Match": tag} for tag in ("", "*", "W/", '"', ",,,,", '"' + "x" * 9000 + '"', "\x00", "é")),
    *({"If-Modified-Since": when} for when in ("", "now", "Thu, 99 Foo 9999 99:99:99 GMT", "Mon, 01 Jan 0001 00:00:00 GMT", "9" * 99)),
    {"If-Unmodified-Since": "Thu, 99 Foo 9999 99:99:99 GMT"}, {"If-Range": "\x00", "Range": "bytes=0-1"}, {"If-Range": '"', "Range": "bytes=-1"},
    *(
        {"Range": given}
        for given in ("", "bytes", "bytes=", "bytes=-", "bytes=--1", "bytes=5-1", "bytes=0-0", "bytes=-0", "bytes=0-0,1-1",
                      "bytes=" + ",".join(["0-"] * 900), "bytes=99999999999999999999999-", "bytes=0-99999999999999999999",
                      "bytes=-99999999999999999999", "lines=1-2", "bytes=a-b", "bytes=\u0661-", "bytes = 0 - 1")
    ),
    *({"Accept": kind} for kind in ("", "*", "*/*;q=", "a/b;q=9", ",", "application/json;" + "a=b;" * 500, "text/html" + ",a/b" * 900, "\x00/\x00", "é/é",
                                   "application/json; indent=99999999", "*/*;version=../../x")),
    *({"Accept-Language": tongue} for tongue in ("", "*", "de;q=x", "x" * 5000, ",".join(["de"] * 900), "\x00", "../../etc")),
    *({"Content-Type": kind} for kind in ("", "/", "application/json; charset=utf-7", "application/json; charset=nonsense", "application/json; charset=",
                                         "multipart/form-data", "multipart/form-data; boundary=", "multipart/form-data; boundary=" + "x" * 900,
                                         "application/x-www-form-urlencoded; charset=utf-16", "text/xml", "image/svg+xml", "é/é", "\x00")),
    *({"Content-Length": length} for length in ("", "-1", "abc", "99999999999", "0", "1e3", "+5", "\u0661")),
    {"Content-Encoding": "gzip"}, {"Content-Encoding": "deflate, br"}, {"Transfer-Encoding": "chunked"}, {"Expect": "200-ok"},
    *({"Authorization": word} for word in ("", "Bearer", "Bearer ", "Bearer a b", "Basic OnBhc3N3b3Jk", "Bearer tn_" + "0" * 64, "Bearer \x00",
                                          "Bearer é", "bearer tn_x", "Bearer " + "x" * 50_000, "Token tn_x", "Digest a=b", "Bearer tn_\u202e")),
    *({"Cookie": jar} for jar in ("=", ";;;;", "a=b; " * 900, "trapnight=\x00", "trapnight=" + "x" * 9000, 'trapnight="', "trapnight-language=../../x",
                                 "trapnight-csrf=\x00", "é=é", "trapnight=../../etc/passwd", "$Version=1", "class=AAAA; class-pass=AAAA", "messages=AAAA")),
    *({"Idempotency-Key": key} for key in ("", '"', "a b", '"' + "k" * 9000 + '"', "\x00", "é", "?1", "(a b)", "00000000-0000-0000-0000-000000000000")),
    {"Origin": "null"}, {"Origin": "https://evil.example"}, {"Origin": "\x00"}, {"Referer": "https://evil.example/" + "x" * 9000},
    {"Referer": "javascript:alert(1)"}, {"Access-Control-Request-Method": "DELETE", "Origin": "https://evil.example"},
    {"X-CSRFToken": "\x00"}, {"X-CSRFToken": "x" * 9000}, {"User-Agent": "\x00\r\n" + "x" * 9000}, {"Upgrade": "h2c", "Connection": "Upgrade"},
    {"DNT": "2"}, {"Sec-Fetch-Site": "cross-site"}, {"Max-Forwards": "0"}, {"Via": "1.1 " + "x," * 900}, {"TE": "trailers"}, {"Date": "\x00"},
)  # fmt: skip

JSON = "application/json"
FORM = "application/x-www-form-urlencoded"

#: Bodies and what they say they are.
BODIES: tuple[tuple[bytes, str], ...] = (
    (b"[" * 100_000, JSON), (b'{"a":' * 50_000 + b"1" + b"}" * 50_000, JSON), (b'{"id": 1, "id": 2}', JSON), (b"NaN", JSON),
    (b'{"mouth_mm": 1e999}', JSON), (b'{"mouth_mm": ' + b"9" * 900 + b"}", JSON), (b'{"note": "a\\u0000b"}', JSON), (b'{"note": "\\ud800"}', JSON),
    (b'{"note": "\xff\xfe"}', JSON), (b"", JSON), (b"\xef\xbb\xbf{}", JSON), ("{}".encode("utf-16"), JSON), ("{}".encode("utf-32"), JSON),
    (b'"text"', JSON), (b"null", JSON), (b"true", JSON), (b"[]", JSON), (b"[[],[{}]]", JSON), (b"{" + b'"k":1,' * 60_000 + b'"k":1}', JSON),
    (json.dumps({f"k{n}": n for n in range(20_000)}).encode(), JSON), (b'{"__proto__": {"admin": true}}', JSON), (b'{"note": "' + b"a" * (1024 * 1024) + b'"}', JSON),
    (b'{"returns": []}', JSON), (b'{"returns": [null, 1, "a", {}, []]}', JSON), (json.dumps({"returns": [{}] * 501}).encode(), JSON),
    (json.dumps({"email": ["a"], "password": {"a": 1}}).encode(), JSON), (json.dumps({"email": "a@b\x00", "password": "x" * 9000}).encode(), JSON),
    (json.dumps({"email": "x" * 9000 + "@test.example", "password": "\u202e"}).encode(), JSON), (json.dumps({"text": "\u202e\u0000" * 9}).encode(), JSON),
    (json.dumps({"id": "\u0661", "trap": 10**400 if False else "1" + "0" * 300, "set_at": "9999-12-31T23:59:59+23:59"}).encode(), JSON),
    (json.dumps({"latitude": 1e308, "longitude": -1e308, "household": "x"}).encode(), JSON), (json.dumps({"decision": "upheld", "reason": {}, "catch": "x"}).encode(), JSON),
    (json.dumps({"state": "upheld", "owner": 1, "is_staff": True, "version": 99, "region": "westmark"}).encode(), JSON),
    (gzip.compress(b"0" * 1_000_000), JSON), (b"<?xml version='1.0'?><!DOCTYPE a [<!ENTITY b 'c'>]><a>&b;</a>", "application/xml"),
    (b"a=1&" * 3000, FORM), (b"a" * 3_000_000, FORM), (b"%ff=%00&a=%zz", FORM), (b"email=a%40b&password=x&next=//evil.example", FORM),
    (b"email=%00&password=%00&alias=%E2%80%AE", FORM), (b"&".join(b"f%d=1" % n for n in range(1500)), FORM), (b"language=../../x&next=https://evil.example", FORM),
    (b"answer=9" * 500, FORM), (b"count=-1&number=99999999999999999999999999&group=woodlice&answer=number", FORM), (b"code=%00&code=123456", FORM),
    (b"latitude=NaN&longitude=Infinity&place=x", FORM), (b"_method=DELETE&csrfmiddlewaretoken=x", FORM), (b"password=&password1=a&password2=b&old_password=%00", FORM),
    (b"decision=corrected&reason=count_slip&version=99999999999999999999&note=" + b"n" * 20_000, FORM), (b"row-0=1&rows=99999999999&total=-1", FORM),
    (b"--x\r\nContent-Disposition: form-data; name=\"sheet\"; filename=\"../../x.csv\"\r\n\r\n=cmd|'/c calc'!A0\r\n--x--\r\n", "multipart/form-data; boundary=x"),
    (b"--x\r\nContent-Disposition: form-data; name=\"sheet\"; filename=\"a.xlsx\"\r\n\r\nPK\x03\x04\x00\r\n--x--\r\n", "multipart/form-data; boundary=x"),
    (b"--x\r\nContent-Disposition: form-data; name=\"photo\"; filename=\"a\x00.jpg\"\r\n\r\n\xff\xd8\xff\xe0\r\n--x--\r\n", "multipart/form-data; boundary=x"),
    (b"--x\r\nContent-Disposition: form-data\r\n\r\n\r\n--x", "multipart/form-data; boundary=x"), (b"--x\r\n" * 3000, "multipart/form-data; boundary=x"),
    (b"\x89PNG\r\n\x1a\n" + b"\x00" * 100, "image/png"), (b"\xff\xd8\xff" + b"\x00" * 100, "image/jpeg"), (b"GIF89a", "image/gif"), (b"RIFF\xff\xff\xff\xffWEBPVP8 ", "image/webp"),
    (b"<svg xmlns='http://www.w3.org/2000/svg' onload='alert(1)'/>", "image/svg+xml"), (b"\x00" * 9000, "application/octet-stream"),
)  # fmt: skip


def forged_cursor(rng: Random) -> str:
    """Return something that looks like a cursor and is none of ours."""
    inside = rng.choice(
        [b'["2026", 1]', b'{"after": "x"}', b"\x80\x04K\x01.", bytes(rng.randrange(256) for _ in range(40))]
    )
    return base64.urlsafe_b64encode(inside).decode() + rng.choice(["", ":abc:def", ".sig", "="])
