"""Taking one file into memory, up to a cap."""

from __future__ import annotations

from io import BytesIO
from typing import Any

from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.files.uploadhandler import FileUploadHandler, SkipFile, StopUpload
from django.http import HttpRequest


class CappedUpload(FileUploadHandler):
    """Takes one file into memory, up to ``most_bytes``: what lies beyond is let go as it comes in.

    Beyond ``listened_to`` bytes nothing more is heard, and the line is cut.
    """

    too_big = False
    _held: BytesIO | None = None
    _size = 0

    def __init__(self, request: HttpRequest, most_bytes: int, *, listened_to: int) -> None:
        super().__init__(request)
        self._most_bytes = most_bytes
        self._listened_to = listened_to

    def new_file(self, *args: Any, **kwargs: Any) -> None:
        """Begin with the first file; any further one is skipped."""
        super().new_file(*args, **kwargs)
        if self._held is not None:
            raise SkipFile
        self._held = BytesIO()

    def receive_data_chunk(self, raw_data: bytes, start: int) -> None:
        """Keep a piece while the cap allows it."""
        self._size += len(raw_data)
        if self._size > self._listened_to:
            raise StopUpload(connection_reset=True)
        if self._size > self._most_bytes:
            self.too_big = True
            self._held = BytesIO()
        elif self._held is not None:
            self._held.write(raw_data)

    def file_complete(self, file_size: int) -> SimpleUploadedFile | None:
        """Return the file, or nothing where it was too big."""
        if self.too_big or self._held is None:
            return None
        return SimpleUploadedFile(self.file_name or "", self._held.getvalue())
