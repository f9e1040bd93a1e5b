"""The test button of the alerts: one message to everyone who would be told, and who took it."""

from collections.abc import Mapping
from typing import Any

from dashboard.alerts import send_test
from ingest.home import Home


def send(home: Home, _at_ms: int, _body: Mapping[str, Any]) -> dict[str, Any]:
    """`{sent, failed, says}`; nothing in the home changes."""
    return send_test(home)
