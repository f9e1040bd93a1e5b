"""The workshop's changes by their names in the address, and several of them together as one."""

from collections.abc import Callable, Mapping
from typing import Any

from dashboard.changes import calibration, house, pots, sensors, setups, shelves, unread
from dashboard.changes.bodies import Body
from ingest.home import Home
from ingest.logbook.refusals import Refused

HomeChange = Callable[[Home, int, Body], dict[str, Any]]
MOST_TOGETHER = 1000


def together(home: Home, at_ms: int, body: Body) -> dict[str, Any]:
    """The changes `changes`, each `[name, body]`, in their order, all or none."""
    steps = body.get("changes")
    if not isinstance(steps, list) or len(steps) > MOST_TOGETHER:
        raise Refused("What is to be changed is missing.")
    says = "Nothing was changed."
    with home.logbook.writing():
        for step in steps:
            name, inner = step if isinstance(step, list) and len(step) == 2 else ("", None)
            if name not in IN_THE_LOGBOOK or not isinstance(inner, Mapping):
                raise Refused("There is no such change.")
            says = IN_THE_LOGBOOK[name](home, at_ms, inner)["says"]
    return {"says": says}


IN_THE_LOGBOOK: dict[str, HomeChange] = {
    "shelf": shelves.put,
    "shelf_renamed": shelves.rename,
    "shelf_withdrawn": shelves.withdraw,
    "pot": pots.put,
    "pot_added": pots.add,
    "pot_renamed": pots.rename,
    "pots_after_type": pots.add_after_type,
    "pots_copied": pots.copy,
    "pots_withdrawn": pots.withdraw,
    "pots_changed": setups.change_many,
    "setup": setups.describe,
    "setup_withdrawn": setups.withdraw,
    "pot_type": setups.put_type,
    "pot_type_withdrawn": setups.withdraw_type,
    "sensor": sensors.describe,
    "sensor_entered": sensors.enter,
    "sensor_withdrawn": sensors.withdraw,
    "sensor_placed": sensors.place,
    "sensor_put_away": sensors.put_away,
    "sensor_swapped": sensors.swap,
    "placement_withdrawn": sensors.withdraw_placement,
    "calibration_set": calibration.set_points,
}
CHANGES: dict[str, HomeChange] = {
    **IN_THE_LOGBOOK,
    "together": together,
    "messages_claimed": unread.claim,
    "messages_replayed": unread.replay_all,
    "messages_forgotten": unread.forget,
    "raw_now": calibration.raw_now,
    "calibration": calibration.calibrate,
    "side_by_side": calibration.side_by_side,
    "over_salt": calibration.over_salt,
    "first_password": house.set_first_password,
    "calendar_renewed": house.renew_calendar,
    "refused_tried_again": house.try_refused_again,
}
