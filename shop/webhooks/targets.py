"""Where a webhook may go: public addresses, and the networks that an operator names. Nothing else, so that
nobody makes the service knock at doors inside the shop's network (SSRF; API7, ASVS 1.3.6).

The address is read here, looked up here, and connected to as it was looked up: a name that means another
address a moment later changes nothing. It is checked when it is saved and again at each attempt.
"""

import queue
import re
import socket
import threading
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import Any
from urllib.parse import urlsplit

from shop.conf import conf
from shop.errors import FieldError, Invalid

MOST_CHARACTERS = 400
MOST_ADDRESSES = 4
LOOK_UP_SECONDS = 5.0
DEFAULT_PORTS = {"https": 443, "http": 80}
_NAME = re.compile(r"(?=.{1,253}\.?\Z)[A-Za-z0-9_-]{1,63}(\.[A-Za-z0-9_-]{1,63})*\.?\Z").match
# As a browser reads a host whose last part is a number: an IPv4 address, in whatever form it is written.
_ENDS_IN_A_NUMBER = re.compile(r"(.*\.)?([0-9]+|0[xX][0-9A-Fa-f]*)\.?\Z").match
_UNICAST = ip_network("2000::/3")
# Global by their registries, and yet a way to some other address, or to nobody.
_NOT_FOR_US = tuple(
    ip_network(text)
    for text in (
        "192.0.0.0/24",  # protocol assignments (RFC 6890)
        "192.88.99.0/24",  # 6to4 relays (RFC 7526)
        "2001::/23",  # protocol assignments, Teredo among them (RFC 2928, 4380)
        "2002::/16",  # 6to4 (RFC 3056)
        "3fff::/20",  # documentation (RFC 9637)
    )
)

Network = IPv4Network | IPv6Network


class TargetRefused(Invalid):
    """The address cannot be sent to; the message says why."""

    def __init__(self, why: str) -> None:
        super().__init__(f"This address cannot be sent to: it {why}.", errors=[FieldError("/url", why)])
        self.why = why


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """An address that was checked just now.

    host: the name for the Host header and the certificate. path: path and query. addresses: what the name
    means, all of them allowed, in the order in which to try them.
    """

    url: str
    scheme: str
    host: str
    port: int
    path: str
    addresses: tuple[str, ...]

    @property
    def authority(self) -> str:
        """The Host header."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return host if self.port == DEFAULT_PORTS[self.scheme] else f"{host}:{self.port}"


def check_target(url: str) -> Target:
    """The target that an address names. Raises TargetRefused.

    Asks the name service, for five seconds at most: never call it inside a transaction.
    """
    scheme, host, port, path = _parts(url)
    addresses = look_up(host, port)
    refused = [address for address in addresses if not is_allowed(address)]
    if refused or not addresses:
        # Which address it was would tell a stranger how the inside is numbered.
        raise TargetRefused("does not lead to a public address")
    if scheme == "http" and not all(_is_named(address) for address in addresses):
        raise TargetRefused("must begin with https://: events are not sent through the open network in clear")
    tried = tuple(str(address) for address in addresses[:MOST_ADDRESSES])
    return Target(url=url, scheme=scheme, host=host, port=port, path=path, addresses=tried)


def is_allowed(address: IPv4Address | IPv6Address) -> bool:
    """Whether events may be sent there: a public unicast address, or one of a network that is named."""
    return is_public(address) or _is_named(address)


def is_public(address: IPv4Address | IPv6Address) -> bool:
    """Whether anybody on the open network could be reached there, and nobody inside."""
    if any(address in network for network in _NOT_FOR_US):
        return False
    if isinstance(address, IPv6Address):
        # Everything outside 2000::/3 is mapped, translated, local or not given out.
        return address in _UNICAST and address.is_global
    return address.is_global and not (address.is_multicast or address.is_reserved)


def look_up(host: str, port: int) -> list[IPv4Address | IPv6Address]:
    """What a name means just now, each address once. Raises TargetRefused."""
    answers: queue.Queue[list[Any] | OSError] = queue.Queue(maxsize=1)

    def ask() -> None:
        try:
            answers.put(socket.getaddrinfo(host, port, type=socket.SOCK_STREAM))
        except OSError as error:
            answers.put(error)

    # The system's own look-up has no limit that a caller could set.
    threading.Thread(target=ask, name="look up a webhook's host", daemon=True).start()
    try:
        found = answers.get(timeout=LOOK_UP_SECONDS)
    except queue.Empty:
        raise TargetRefused("could not be looked up in time") from None
    if isinstance(found, OSError):
        raise TargetRefused("could not be found: nobody knows its host")
    return list(dict.fromkeys(ip_address(entry[4][0]) for entry in found))


def _is_named(address: IPv4Address | IPv6Address) -> bool:
    return any(address in network for network in conf.webhook_allow_private)


def _parts(url: str) -> tuple[str, str, int, str]:
    """Scheme, host, port, path and query."""
    if not 1 <= len(url) <= MOST_CHARACTERS:
        raise TargetRefused(f"must have 1 to {MOST_CHARACTERS} characters")
    if not url.isascii() or not url.isprintable() or " " in url or "\\" in url:
        raise TargetRefused("may hold visible ASCII characters only; write other names in their xn-- form")
    try:
        parts = urlsplit(url)
        host, port = parts.hostname or "", parts.port
    except ValueError:
        raise TargetRefused("is not an address such as https://hooks.example/coldgap") from None
    if parts.scheme not in DEFAULT_PORTS or not host:
        raise TargetRefused("must begin with https:// and name a host")
    if "@" in parts.netloc or parts.fragment or url.endswith("#"):
        raise TargetRefused("may hold neither a log-in nor a # part")
    if port == 0:
        raise TargetRefused("names port 0, which nobody has")
    _check_host(host, bracketed="[" in parts.netloc)
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    return parts.scheme, host, port or DEFAULT_PORTS[parts.scheme], path


def _check_host(host: str, *, bracketed: bool) -> None:
    if bracketed:
        try:
            IPv6Address(host)
        except ValueError:
            raise TargetRefused("holds something in brackets that is no IPv6 address") from None
    elif _ENDS_IN_A_NUMBER(host):
        # 2130706433, 0x7f.1 and 0177.0.0.1 all are 127.0.0.1 to some reader.
        try:
            IPv4Address(host)
        except ValueError:
            raise TargetRefused("writes an IPv4 address other than as four plain numbers") from None
    elif not _NAME(host):
        raise TargetRefused("has a host that is no name")
