"""``pictures.zip``: the small pictures of a run, from which its report can be made again.

A ZIP file of WebP pictures, stored uncompressed; its bytes depend on nothing but theirs.
"""

from __future__ import annotations

import zipfile
from collections.abc import Mapping
from pathlib import Path

from stackkit.run.files import replacing

STACK, ALONE = "stack.webp", "one-frame.webp"
"""The stack, and the reference frame alone at the same stretch, upright."""
_EPOCH = (1980, 1, 1, 0, 0, 0)
_LARGEST = 4_000_000
"""Size in bytes above which a picture is ignored."""
_MOST = 20_000
"""Greatest number of entries read: a foreign file may claim any number."""


def write_pictures(path: Path, pictures: Mapping[str, bytes]) -> None:
    """Write WebP files by their names.  Raises ``OutputError`` when the disk refuses."""
    with replacing(path) as temporary, zipfile.ZipFile(temporary, "w") as archive:
        for name, data in pictures.items():
            entry = zipfile.ZipInfo(name, _EPOCH)
            entry.create_system = 3  # the same on every system
            archive.writestr(entry, data)


def read_pictures(path: Path) -> dict[str, bytes]:
    """The pictures by name, without damaged or foreign ones; empty where there is no such file: a
    report can do without.
    """
    found = {}
    try:
        with zipfile.ZipFile(path) as archive:
            for entry in archive.infolist()[:_MOST]:
                if entry.file_size <= _LARGEST and entry.compress_type == zipfile.ZIP_STORED:
                    data = _whole(archive, entry)
                    if _is_webp(data):
                        found[entry.filename] = data
    except (OSError, zipfile.BadZipFile, NotImplementedError, ValueError):
        pass
    return found


def _whole(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> bytes:
    """Its bytes; empty where they do not match their checksum."""
    try:
        return archive.read(entry)
    except (OSError, RuntimeError, EOFError, zipfile.BadZipFile, NotImplementedError, ValueError):
        return b""


def _is_webp(data: bytes) -> bool:
    """RIFF, its length, WEBP (RFC 9649, section 2.4)."""
    return data[:4] == b"RIFF" and data[8:12] == b"WEBP"
