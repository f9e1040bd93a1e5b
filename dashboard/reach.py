"""Who can reach this dashboard, and under which address.

Owns no socket that listens. The address on the network is the one that this machine would use towards others; asking
for it sends nothing.
"""

import socket
from dataclasses import dataclass
from urllib.parse import urlsplit

from dashboard.access import is_loopback

EVERY_HOST = ("0.0.0.0", "::", "")
#: An address of the documentation range (RFC 5737): nothing is sent there, only the way to it is looked up.
ELSEWHERE = ("192.0.2.1", 9)


@dataclass(frozen=True)
class Reach:
    """An address of the dashboard, whether other machines can use it, and one sentence on that."""

    address: str
    others: bool
    says: str


def reach(listens_on: str, has_password: bool, seen_at: str) -> Reach:
    """`listens_on` is the host of the settings, `seen_at` the address under which a browser has just come."""
    parts = urlsplit(seen_at)
    port = f":{parts.port}" if parts.port else ""
    if is_loopback(listens_on):
        how = 'write host = "0.0.0.0" under [dashboard] in dryline.toml and start dryline again'
        first = "" if has_password else "set a password first, then "
        says = f"Only this machine can open the dashboard. To let a tablet or a phone in, {first}{how}."
        return Reach(f"{parts.scheme}://{parts.netloc}", False, says)
    host = parts.hostname or ""
    if is_loopback(host) or not host:
        host = own_address() if listens_on in EVERY_HOST else listens_on
    netloc = f"[{host}]{port}" if ":" in host else f"{host}{port}"
    return Reach(
        f"{parts.scheme}://{netloc}", True, "Every machine on this network that knows the password can open it."
    )


def own_address() -> str:
    """This machine's address on its network; its name where there is no network."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
        try:
            way.connect(ELSEWHERE)
            return str(way.getsockname()[0])
        except OSError:
            return socket.gethostname()
