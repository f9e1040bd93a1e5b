"""What the services say of themselves: one JSON object a line, in files that never outgrow their bound.

Owns the form of a line, where the files lie (`log/NAME.jsonl` in the home, one a process) and when they are turned
over. A secret of the settings never stands in a line, whoever wrote it and however it came there. A disk that is full
makes no log a reason to stop.
"""

import json
import logging
import re
import sys
import threading
from collections.abc import Sequence
from datetime import UTC, datetime
from logging.handlers import RotatingFileHandler
from pathlib import Path
from types import TracebackType

FILE_BYTES = 1_000_000
OLD_FILES = 4
LONGEST_LINE = 10_000
HIDDEN = "(secret)"
#: A shorter word would blank out harmless text; a secret of less than this is none.
SHORTEST_SECRET = 4
_PASSWORD_IN_ADDRESS = re.compile(r"(?<=://)([^/@:\s]*):[^@/\s]*@")


def keep_log(folder: Path, name: str, secrets: Sequence[str]) -> None:
    """From now on what this process logs goes into the home's log too, and to stderr without secrets.

    A log folder that cannot be made is said once, and the process goes on without a file.
    """
    root = logging.getLogger()
    hide = Hiding(secrets)
    for handler in root.handlers:
        handler.setLevel(logging.WARNING)
        handler.setFormatter(Plain(hide))
    root.setLevel(logging.INFO)
    try:
        (folder / "log").mkdir(exist_ok=True)
        file = Bounded(folder / "log" / f"{name}.jsonl", maxBytes=FILE_BYTES, backupCount=OLD_FILES, encoding="utf-8")
    except OSError as error:
        root.warning("no log is kept: %s", error)
        return
    file.setFormatter(Lines(hide))
    root.addHandler(file)
    _tell_of_crashes(root)


class Hiding:
    """Takes secrets, and passwords in addresses, out of a text."""

    def __init__(self, secrets: Sequence[str]) -> None:
        # The longest first: a secret may be a part of another.
        known = sorted({word for word in secrets if len(word) >= SHORTEST_SECRET}, key=len, reverse=True)
        self._known = re.compile("|".join(map(re.escape, known))) if known else None

    def __call__(self, text: str) -> str:
        shown = self._known.sub(HIDDEN, text) if self._known else text
        return _PASSWORD_IN_ADDRESS.sub(rf"\1:{HIDDEN}@", shown)


class Lines(logging.Formatter):
    """A record as one JSON object: at, level, from, says, and the trace of an error."""

    def __init__(self, hide: Hiding) -> None:
        super().__init__()
        self._hide = hide

    def format(self, record: logging.LogRecord) -> str:
        line = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "from": record.name,
            "says": self._hide(record.getMessage())[:LONGEST_LINE],
        }
        if record.exc_info:
            line["trace"] = self._hide(self.formatException(record.exc_info))[-LONGEST_LINE:]
        return json.dumps(line, ensure_ascii=False)


class Plain(logging.Formatter):
    """A record as a person reads it on a terminal."""

    def __init__(self, hide: Hiding) -> None:
        super().__init__("dryline: %(message)s")
        self._hide = hide

    def format(self, record: logging.LogRecord) -> str:
        return self._hide(super().format(record))


class Bounded(RotatingFileHandler):
    """A file of bounded size with a few older ones beside it; a disk that is full is borne in silence."""

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - the library's name
        if not isinstance(sys.exc_info()[1], OSError):
            super().handleError(record)


def _tell_of_crashes(root: logging.Logger) -> None:
    """An error that nobody caught is in the log before the process or the thread is gone."""
    shown, shown_of_thread = sys.excepthook, threading.excepthook

    def crashed(kind: type[BaseException], error: BaseException, trace: TracebackType | None) -> None:
        root.critical("ended by an error", exc_info=(kind, error, trace))
        shown(kind, error, trace)

    def thread_crashed(told: threading.ExceptHookArgs) -> None:
        if told.exc_value is not None:
            root.critical("a thread ended by an error", exc_info=(told.exc_type, told.exc_value, told.exc_traceback))
        shown_of_thread(told)

    sys.excepthook, threading.excepthook = crashed, thread_crashed
