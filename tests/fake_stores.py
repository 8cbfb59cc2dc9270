"""Object stores on this computer: servers that answer as Google's and Amazon's do, as far as asked.

No store of that kind can be installed with pip for a test, so these speak just the calls that
listing and reading need, written from the public reference: the JSON API of Cloud Storage, v1
(objects: list, get, alt=media; https://cloud.google.com/storage/docs/json_api/v1/objects) and the
REST API of S3 (ListObjectsV2, HeadObject, GetObject; https://docs.aws.amazon.com/AmazonS3/latest/API).
What the real ones do beyond that, such as rights and slow answers, is not tested by them.
"""

from __future__ import annotations

import hashlib
import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from email.utils import formatdate
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, unquote, urlsplit
from xml.sax.saxutils import escape

Objects = dict[str, bytes]
_WHEN = "2027-05-20T08:00:00.000Z"


def _tag(data: bytes) -> str:
    return hashlib.md5(data, usedforsecurity=False).hexdigest()


class _Store(BaseHTTPRequestHandler):
    """One bucket of objects by key."""

    bucket = "farm"
    objects: Objects
    asked: list[str]
    protocol_version = "HTTP/1.1"

    def log_message(self, *words: object) -> None:
        """Say nothing."""

    def do_HEAD(self) -> None:
        self._serve()

    def do_GET(self) -> None:
        self._serve()

    def _serve(self) -> None:
        at = urlsplit(self.path)
        query = {k: v[0] for k, v in parse_qs(at.query, keep_blank_values=True).items()}
        self.asked.append(self.path)
        self.answer(at.path, query)

    def answer(self, path: str, query: dict[str, str]) -> None:
        """Answer one request."""
        raise AssertionError

    def listed(self, prefix: str, delimiter: str) -> tuple[list[str], list[str]]:
        """Keys under a prefix, and what is folded up at the delimiter."""
        keys, folded = [], set()
        for key in sorted(self.objects):
            if not key.startswith(prefix):
                continue
            rest = key[len(prefix) :]
            if delimiter and delimiter in rest:
                folded.add(prefix + rest.split(delimiter, 1)[0] + delimiter)
            else:
                keys.append(key)
        return keys, sorted(folded)

    def content(self, key: str, headers: dict[str, str]) -> None:
        """Send an object, or the part of it that is asked for."""
        data, status = self.objects[key], 200
        wanted = self.headers.get("Range")
        if wanted:
            first, _, last = wanted.removeprefix("bytes=").partition("-")
            start, end = int(first), min(int(last or len(data)), len(data) - 1)
            headers = headers | {"Content-Range": f"bytes {start}-{end}/{len(data)}"}
            data, status = data[start : end + 1], 206
        self.send(status, data, "image/png", headers)

    def send(
        self, status: int, data: bytes, kind: str, headers: dict[str, str] | None = None
    ) -> None:
        """Send an answer."""
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(data)))
        for name, value in (headers or {}).items():
            self.send_header(name, value)
        self.end_headers()
        if self.command != "HEAD":
            self.wfile.write(data)


class GoogleStore(_Store):
    """Cloud Storage's JSON API, as far as it is asked."""

    def answer(self, path: str, query: dict[str, str]) -> None:
        """Answer one request."""
        _, _, after = path.partition(f"/b/{self.bucket}")
        key = unquote(after.removeprefix("/o/")) if after.startswith("/o/") else None
        if f"/b/{self.bucket}" not in path or (key is not None and key not in self.objects):
            self._missing()
        elif key is not None and query.get("alt") == "media":
            self.content(key, {})
        elif key is not None:
            self._json(self._facts(key))
        elif after == "/o":
            keys, folded = self.listed(query.get("prefix", ""), query.get("delimiter", ""))
            said: dict[str, object] = {"kind": "storage#objects"}
            if keys:
                said["items"] = [self._facts(key) for key in keys]
            if folded:
                said["prefixes"] = folded
            self._json(said)
        elif after == "":
            self._json({"kind": "storage#bucket", "name": self.bucket, "id": self.bucket})
        else:
            self._missing()

    def _facts(self, key: str) -> dict[str, object]:
        data = self.objects[key]
        return {
            "kind": "storage#object",
            "bucket": self.bucket,
            "name": key,
            "size": str(len(data)),
            "generation": str(int(hashlib.sha256(data).hexdigest()[:12], 16)),
            "etag": _tag(data),
            "timeCreated": _WHEN,
            "updated": _WHEN,
            "contentType": "image/png",
        }

    def _json(self, said: dict[str, object], status: int = 200) -> None:
        self.send(status, json.dumps(said).encode(), "application/json")

    def _missing(self) -> None:
        self._json({"error": {"code": 404, "message": "Not Found", "errors": []}}, 404)


class AmazonStore(_Store):
    """The REST API of S3, as far as it is asked."""

    def answer(self, path: str, query: dict[str, str]) -> None:
        """Answer one request."""
        bucket, _, key = unquote(path).lstrip("/").partition("/")
        if bucket != self.bucket:
            self._error(404, "NoSuchBucket")
        elif key and key in self.objects:
            headers = {
                "ETag": f'"{_tag(self.objects[key])}"',
                "Last-Modified": formatdate(usegmt=True),
            }
            self.content(key, headers | {"Accept-Ranges": "bytes"})
        elif key:
            self._error(404, "NoSuchKey")
        else:
            keys, folded = self.listed(query.get("prefix", ""), query.get("delimiter", ""))
            items = "".join(
                f"<Contents><Key>{escape(key)}</Key><Size>{len(self.objects[key])}</Size>"
                f'<ETag>"{_tag(self.objects[key])}"</ETag><LastModified>{_WHEN}</LastModified>'
                "<StorageClass>STANDARD</StorageClass></Contents>"
                for key in keys
            )
            prefixes = "".join(
                f"<CommonPrefixes><Prefix>{escape(p)}</Prefix></CommonPrefixes>" for p in folded
            )
            self._xml(
                200,
                f"<ListBucketResult><Name>{bucket}</Name><KeyCount>{len(keys) + len(folded)}"
                f"</KeyCount><IsTruncated>false</IsTruncated>{items}{prefixes}</ListBucketResult>",
            )

    def _error(self, status: int, code: str) -> None:
        self._xml(status, f"<Error><Code>{code}</Code><Message>{code}</Message></Error>")

    def _xml(self, status: int, text: str) -> None:
        self.send(status, b'<?xml version="1.0"?>' + text.encode(), "application/xml")


@contextmanager
def running(kind: type[_Store], objects: Objects) -> Iterator[tuple[str, list[str]]]:
    """Serve objects from a thread; gives the server's address, and what it is asked."""
    asked: list[str] = []
    handler = type(kind.__name__, (kind,), {"objects": objects, "asked": asked})
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}", asked
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
