"""Files that commands write: checked beforehand, and there whole or not at all."""

import json
import os
from pathlib import Path
from typing import Any

from flatmeasure.errors import OptionInvalid


def check_writable(path: Path | None, source: Path | None, endings: tuple[str, ...] = ()) -> None:
    """Refuse a file that can't be written before the work is done, not after.

    Parameters
    ----------
    path : Path or None
        None is nothing to write.
    source : Path or None
        The file that is read: it must not be overwritten.
    endings : tuple of str
        What the file's name may end in; anything when empty.

    Raises
    ------
    OptionInvalid
    """
    if path is None:
        return
    if endings and path.suffix.lower() not in endings:
        raise OptionInvalid(f"The name {path.name} must end in {' or '.join(endings)}.")
    if not os.path.isdir(path.parent):  # os.path: a name that is too long is simply not there
        raise OptionInvalid(f"There is no folder {path.parent} to write {path.name} into: make it, or name another.")
    is_there = os.path.exists(path)
    if is_there and source is not None and os.path.exists(source) and path.samefile(source):
        raise OptionInvalid(f"{path} is the file to be read itself: choose another name for what is written.")
    if (is_there and not path.is_file()) or not os.access(path.parent, os.W_OK):
        raise OptionInvalid(f"{path} can't be written: choose another place.")


def write_file(path: Path, content: bytes) -> None:
    """Write beside and rename, so that a file is there whole or not at all.

    Raises
    ------
    OptionInvalid
        It can't be written.
    """
    target = path.resolve()
    beside = target.with_name(f".{target.name}.{os.getpid()}")
    try:
        try:
            beside.write_bytes(content)
            beside.replace(target)
        finally:
            beside.unlink(missing_ok=True)
    except OSError as error:
        raise OptionInvalid(f"{path} can't be written ({error.strerror}): choose another place.") from error


def json_bytes(data: Any) -> bytes:
    """JSON as files carry it: UTF-8, a value a line, no number that is not one.

    Raises
    ------
    ValueError
        A number is not finite.
    """
    return (json.dumps(data, indent=1, allow_nan=False, ensure_ascii=False) + "\n").encode()
