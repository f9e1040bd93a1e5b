"""Tells the grower: retained messages on the broker, and whatever services the grower's own file of addresses names.

Owns the doors (broker, notification library, the memory's file) and when each is knocked at. What stands is asked of
`answers/alerts.py`, who has heard what is `alert_memory.py`. Addresses hold secrets: they are never logged or shown.

On the broker alerts stand at once, day and night, under the topic of the settings, each until it is over (then the
topic is emptied). Services hear of each alert once and of its end once, never in the quiet hours; one that cannot be
reached is tried again with growing patience. One look a minute, in the care of the home.
"""

import json
import logging
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from hashlib import blake2b
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from analysis.quantities import in_units
from dashboard.alert_memory import Alert, Memory, heard, is_quiet, looked, nothing_yet, owed, words
from dashboard.answers import alerts as question
from ingest.home import Home
from ingest.moments import text_of
from ingest.settings import SettingsError
from ingest.subscriber import Link

log = logging.getLogger(__name__)

MOST_SERVICES = 20
FIRST_WAIT_S, LONGEST_WAIT_S = 60.0, 3600.0
#: The embedded broker forgets what is retained when it restarts.
SAY_AGAIN_S = 3600.0
BROKER_PATIENCE_S = 5.0
TEST_WORDS = ("A test", "This is a test of the alerts. Nothing needs you.")


@dataclass(frozen=True)
class Service:
    """One address of the grower's file: `name` is safe to show, `key` stands for it in the memory."""

    name: str
    key: str
    notifier: Any = field(repr=False)

    def tell(self, title: str, text: str) -> bool:
        """Whether the service took the message."""
        try:
            return bool(self.notifier.notify(title=title, body=text))
        except Exception:  # a plug-in of the library may raise what it likes
            log.warning("%s failed in the notification library", self.name)
            return False


class Alerting:
    """The teller of one home; `turn` is its look, to be called about once a minute."""

    def __init__(self, home: Home) -> None:
        self._home = home
        self._file = home.folder / "alerts.json"
        self._again_s: dict[str, float] = {}
        self._wait_s: dict[str, float] = {}
        self._said_s = -SAY_AGAIN_S
        self._said: dict[str, bytes] = {}
        self._trouble = ""

    def turn(self, at_ms: int) -> None:
        """Look once, and tell whoever has not heard."""
        try:
            services, faults = services_of(self._home)
        except SettingsError as error:  # the file of addresses is not there: the broker is told all the same
            services, faults = [], [str(error)]
        found = in_units(question.answer(self._home, at_ms)["alerts"], self._home.settings.grower.units)
        memory = looked(self._read(), found, [service.key for service in services], at_ms)
        wanted = self._messages(memory)
        # Written before anything is published, so that no topic stays behind whenever this process ends.
        memory["topics"] = sorted({*memory["topics"], *wanted})
        self._write(memory)
        memory = self._publish(memory, wanted)
        if not is_quiet(at_ms, self._home.settings.alerts.quiet_hours, self._home.settings.grower.timezone):
            for service in services:
                memory = self._tell(memory, service)
        self._write(memory)
        self._say_once("; ".join(faults))

    def _messages(self, memory: Memory) -> dict[str, bytes]:
        """What stands on the broker: topic -> message."""
        prefix = self._home.settings.alerts.topic
        return {f"{prefix}/{name}": _message(alert) for name, alert in memory["standing"].items()}

    def _publish(self, memory: Memory, wanted: dict[str, bytes]) -> Memory:
        gone = [topic for topic in memory["topics"] if topic not in wanted]
        if wanted == self._said and not gone and time.monotonic() - self._said_s < SAY_AGAIN_S:
            return memory
        try:
            publish_retained(self._home.link(), wanted | dict.fromkeys(gone, b""))
        except OSError as error:
            self._say_once(f"alerts do not reach the broker: {error}")
            return memory
        self._said, self._said_s = wanted, time.monotonic()
        return {**memory, "topics": sorted(wanted)}

    def _tell(self, memory: Memory, service: Service) -> Memory:
        told = owed(memory, service.key)
        if not told or time.monotonic() < self._again_s.get(service.key, 0.0):
            return memory
        if service.tell(*words(told)):
            self._wait_s.pop(service.key, None)
            memory = heard(memory, service.key, told)
            self._write(memory)  # at once: who was told must not be told again by the next process
            return memory
        wait_s = min(2 * self._wait_s.get(service.key, FIRST_WAIT_S / 2), LONGEST_WAIT_S)
        self._wait_s[service.key], self._again_s[service.key] = wait_s, time.monotonic() + wait_s
        log.warning("%s did not take the alerts; tried again in %.0f s", service.name, wait_s)
        return memory

    def _say_once(self, trouble: str) -> None:
        if trouble and trouble != self._trouble:
            log.warning("%s", trouble)
        self._trouble = trouble or self._trouble

    def _read(self) -> Memory:
        with suppress(OSError, ValueError):
            found = json.loads(self._file.read_text(encoding="utf-8"))
            if isinstance(found, dict) and found.keys() >= nothing_yet().keys():
                return found
        return nothing_yet()

    def _write(self, memory: Memory) -> None:
        beside = self._file.with_suffix(".new")
        beside.write_text(json.dumps(memory), encoding="utf-8")
        beside.replace(self._file)


def services_of(home: Home) -> tuple[list[Service], list[str]]:
    """The services of the grower's file, one address a line, and a sentence for each line that is none.

    Lines that begin with `#` are left out, and so is an address that stands twice.
    """
    lines = home.alert_addresses()
    found: dict[str, Service] = {}
    faults = []
    for number, line in lines:
        service = _service(number, line)
        if service is None:
            faults.append(f"line {number} of the alerts' urls_file is no address that the notification library knows")
        else:
            found.setdefault(service.key, service)
    if len(found) > MOST_SERVICES:
        faults.append(f"only the first {MOST_SERVICES} addresses of the alerts' urls_file are used")
    return list(found.values())[:MOST_SERVICES], faults


def _service(number: int, address: str) -> Service | None:
    from apprise import Apprise, AppriseAsset  # half a second that no command owes which tells nobody

    # The library logs addresses when it does not like them.
    logging.getLogger("apprise").setLevel(logging.CRITICAL + 1)
    notifier = Apprise.instantiate(address, asset=AppriseAsset(app_id="dryline", app_desc="alerts of the dry line"))
    if notifier is None:
        return None
    key = blake2b(address.encode(), digest_size=8).hexdigest()
    return Service(f"{notifier.service_name} (line {number})", key, notifier)


def send_test(home: Home) -> dict[str, Any]:
    """Send a test to every service and to the broker, quiet hours or not; `{sent, failed, says}` name them."""
    services, faults = services_of(home)
    sent = [service.name for service in services if service.tell(*TEST_WORDS)]
    failed = [service.name for service in services if service.name not in sent] + faults
    try:
        publish_retained(home.link(), {f"{home.settings.alerts.topic}/test": _test_message()}, retain=False)
        sent.append("the broker")
    except OSError as error:
        failed.append(f"the broker ({error})")
    says = f"The test went to {', '.join(sent)}." if sent else "The test went to nobody."
    if failed:
        says += f" It did not go to {', '.join(failed)}."
    if not services:
        says += " No service is named: put addresses into a file, and its name under [alerts] urls_file."
    return {"sent": sent, "failed": failed, "says": says}


def publish_retained(link: Link, messages: Mapping[str, bytes], *, retain: bool = True) -> None:
    """Publish messages and wait until the broker has taken each; an empty one takes a retained one away.

    Raises:
        OSError: the broker is not there, does not let us in, or does not answer in time.
    """
    let_in, refusal = threading.Event(), [""]

    def connected(_client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        refusal[0] = str(reason) if reason.is_failure else ""
        let_in.set()

    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_connect = connected
    client.connect_timeout = BROKER_PATIENCE_S
    if link.username is not None:
        client.username_pw_set(link.username, link.password)
    if link.tls_ca is not None:
        client.tls_set(ca_certs=link.tls_ca)
    client.connect(link.host, link.port)
    client.loop_start()
    try:
        if not let_in.wait(BROKER_PATIENCE_S) or refusal[0]:
            raise OSError(f"it did not let us in ({refusal[0] or 'no answer'})")
        for sent in [client.publish(topic, body, qos=1, retain=retain) for topic, body in messages.items()]:
            sent.wait_for_publish(BROKER_PATIENCE_S)
            if not sent.is_published():
                raise OSError("it did not take a message in time")
    except (RuntimeError, ValueError) as error:
        raise OSError(str(error)) from error
    finally:
        client.disconnect()
        client.loop_stop()


def _message(alert: Alert) -> bytes:
    shown = {key: alert[key] for key in ("kind", "pot", "shelf", "says")}
    return json.dumps(shown | {"since": text_of(alert["since_ms"])}, ensure_ascii=False).encode()


def _test_message() -> bytes:
    return json.dumps({"kind": "test", "says": TEST_WORDS[1]}).encode()
