"""Whether the file that a database has open is still the one that stands at its path.

An open file that was moved or deleted goes on being read and written, in a place where nobody looks; SQLite with its
log does not notice. Nothing here opens a file or knows what is in it.
"""

import os

Identity = tuple[int, int]


class OpenFile:
    """The file at a path, told by device and inode; one that is not there yet is told from `opened` on."""

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = os.fspath(path)
        self._file = _standing_at(self.path)
        self._beside: dict[str, Identity | None] = {}

    @property
    def may_be_made(self) -> bool:
        """Whether there was no such file, and it may be made now."""
        return self._file is None

    def opened(self) -> None:
        """To be called once the file is open: it is there by now, and so is what SQLite keeps beside it."""
        self._file = self._file or _standing_at(self.path)
        self._beside = {path: _standing_at(path) for path in (f"{self.path}-wal", f"{self.path}-shm")}

    def trouble(self) -> str | None:
        """One sentence when the file is no longer in its place, for the price of one look at the folder."""
        standing = _standing_at(self.path)
        if standing is not None and standing == self._file:
            return None
        if standing is None:
            return f"{self.path} is no longer in its place, so nothing is written: put it back, or restore a backup."
        if self.is_replaced():
            return (
                f"Another file stands in the place of {self.path}: nothing is written until dryline is started again."
            )
        return (
            f"Another file stands in the place of {self.path}, beside the log of the first, so nothing is written: put"
            " the first one back, or stop dryline and bring the other in with `dryline restore`."
        )

    def is_replaced(self) -> bool:
        """Whether another file stands in its place that may be opened: beside our old log it would be ruined."""
        ours = any(identity is not None and _standing_at(path) == identity for path, identity in self._beside.items())
        return not ours and _standing_at(self.path) not in (None, self._file)


def _standing_at(path: str) -> Identity | None:
    try:
        found = os.stat(path)
    except OSError:
        return None
    return found.st_dev, found.st_ino
