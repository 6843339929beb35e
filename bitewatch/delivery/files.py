"""The file channel: a message as a mail, a page and JSON in a folder; a second writing makes the same files."""

import os
import re
from collections.abc import Callable
from pathlib import Path

from bitewatch.delivery.frozen import Frozen
from bitewatch.delivery.message import standalone_page
from bitewatch.errors import DeliveryDeferred

_NOT_IN_NAMES = re.compile("[^a-z0-9]+")


def file_stem(frozen: Frozen) -> str:
    """What the files of a message are called, without their ending; a reader can sort them, nobody can guess them."""
    kind = _NOT_IN_NAMES.sub("-", frozen.kind.lower()).strip("-") or "message"
    return f"{frozen.local_date.isoformat()}-{kind}-{frozen.stem[:8]}"


def write_files(frozen: Frozen, mail: bytes, *, folder: Path, gate: Callable[[], None]) -> str:
    """Write ``.eml``, ``.html`` and ``.json``; ``gate`` is called before the first of them appears under its name.

    Raises
    ------
    DeliveryDeferred
        If the folder cannot be written to.
    """
    contents = {
        ".eml": mail,
        ".html": standalone_page(frozen.message).encode(),
        ".json": frozen.webhook_body,
    }
    targets = {folder / f"{file_stem(frozen)}{ending}": content for ending, content in contents.items()}
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for target, content in targets.items():
            _write_whole(_unfinished(target), content)
        gate()
        for target in targets:
            _unfinished(target).replace(target)
        _sync(folder, os.O_RDONLY | os.O_DIRECTORY)
    except OSError as error:
        raise DeliveryDeferred(f"the folder cannot be written to: {error.strerror}") from None
    finally:
        for target in targets:
            _remove(_unfinished(target))
    return f"written to {file_stem(frozen)}"


def _unfinished(target: Path) -> Path:
    return target.with_name(f".{target.name}.part")


def _write_whole(path: Path, content: bytes) -> None:
    with path.open("wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _sync(path: Path, flags: int) -> None:
    handle = os.open(path, flags)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _remove(path: Path) -> None:
    try:
        path.unlink(missing_ok=True)
    except OSError:  # the folder itself may be gone; that was told already
        return
