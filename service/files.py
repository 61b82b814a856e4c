"""Files beside the database: photos by the digest of their content, and drawings by their owner.

A file is written beside its place and renamed, so that it is there whole or not at all. Names never come from a
request: they are digests, ids and names of ours.
"""

import hashlib
import os
import re
import secrets
import shutil
from pathlib import Path

_DIGEST = re.compile(r"[0-9a-f]{64}")
_OWNER = re.compile(r"[0-9a-f]{16}")
_NAME = re.compile(r"[a-z0-9][a-z0-9.-]{0,99}")


def write_whole(path: Path, content: bytes) -> None:
    """Write a file beside its place, see it on the disk, and rename it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f".{secrets.token_hex(8)}")
    try:
        with beside.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    finally:
        beside.unlink(missing_ok=True)


class PhotoFiles:
    """Photos by the SHA-256 of their content: the same photo is kept once."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def path(self, digest: str) -> Path:
        """Where the photo of a digest lies."""
        if not _DIGEST.fullmatch(digest):
            raise ValueError("not a digest")
        return self._folder / digest[:2] / digest

    def put(self, content: bytes) -> str:
        """Keep a photo and give its digest."""
        digest = hashlib.sha256(content).hexdigest()
        if not self.path(digest).exists():
            write_whole(self.path(digest), content)
        return digest

    def names(self) -> list[str]:
        """Digests of all photos."""
        return [path.name for path in self._folder.glob("*/*") if _DIGEST.fullmatch(path.name)]

    def remove(self, digest: str) -> None:
        """Delete a photo; one that is not there is no error."""
        self.path(digest).unlink(missing_ok=True)


class OwnedFiles:
    """Drawings and tables that belong to a measurement or an answer, and go with it."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def _path(self, owner: str, name: str) -> Path:
        if not _OWNER.fullmatch(owner) or not _NAME.fullmatch(name):
            raise ValueError("not a name of ours")
        return self._folder / owner[:2] / owner / name

    def read(self, owner: str, name: str) -> bytes | None:
        """A file's content, or None when it is not there."""
        try:
            return self._path(owner, name).read_bytes()
        except FileNotFoundError:
            return None

    def write(self, owner: str, name: str, content: bytes) -> None:
        """Keep a file."""
        write_whole(self._path(owner, name), content)

    def names(self) -> list[str]:
        """All owners."""
        return [path.name for path in self._folder.glob("*/*") if _OWNER.fullmatch(path.name)]

    def remove_all(self, owner: str) -> None:
        """Delete all files of an owner."""
        shutil.rmtree(self._path(owner, "x").parent, ignore_errors=True)
