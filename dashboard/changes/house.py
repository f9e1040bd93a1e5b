"""The house from the screens: its first password, the address of its calendar, what a server would not take."""

from typing import Any

from dashboard import access, calendar_secret
from dashboard.changes.bodies import Body, answered
from ingest.home import Home
from ingest.logbook.refusals import Fault, Refused


def set_first_password(home: Home, _at_ms: int, body: Body) -> dict[str, Any]:
    """Set the password of a home that has none; an existing one is changed on the machine itself."""
    if access.read_access(home.folder).password_hash is not None:
        raise Refused("There is a password already; change it on the machine itself with the command dryline password.")
    password, again = body.get("password"), body.get("again")
    if not isinstance(password, str) or not password:
        raise Refused(Fault("password", "Write a password."))
    if password != again:
        raise Refused(Fault("again", "The two do not agree; write the same password twice."))
    try:
        access.set_password(home.folder, password)
    except access.PasswordRefusedError as refusal:
        raise Refused(Fault("password", str(refusal))) from None
    return answered("The password is set. Sign in with it now.")


def renew_calendar(home: Home, _at_ms: int, _body: Body) -> dict[str, Any]:
    """Another secret address for the calendar; the old one ends."""
    calendar_secret.renew(home.folder)
    return answered("The calendar has a new address; phones that used the old one must be told.")


def try_refused_again(home: Home, _at_ms: int, _body: Body) -> dict[str, Any]:
    """Send the readings that the server of the long history refused once more."""
    again = getattr(home.readings, "try_refused_again", None)
    if again is None:
        raise Refused("No server keeps the history of this home; there is nothing to send again.")
    again()
    return answered("They will be sent again.")
