"""Where frames are to run, as the command line says it: ``--cluster``."""

from __future__ import annotations

import ipaddress
import re
import socket
from dataclasses import dataclass
from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

from gradeprep.errors import EngineError, RequestError

__all__ = ["KINDS", "Keys", "Place", "parse_place"]

KINDS = "local, processes:N, tcp://HOST:PORT or tls://HOST:PORT"

_MOST_PROCESSES = 1024


@dataclass(frozen=True, slots=True)
class Keys:
    """Certificates for a scheduler, PEM files; what is None comes from dask's own configuration.

    Attributes:
        ca: Who must have signed the scheduler's certificate.
        cert: Our certificate.
        key: Our private key.
    """

    ca: Path | None = None
    cert: Path | None = None
    key: Path | None = None

    def __bool__(self) -> bool:
        return any((self.ca, self.cert, self.key))


@dataclass(frozen=True, slots=True)
class Place:
    """Where frames run.

    Attributes:
        kind: This process's machine, processes of it under a scheduler of their own, or a
            scheduler that runs somewhere.
        count: Number of processes.
        address: Address of the scheduler.
        keys: Certificates.
        exposed: The scheduler is neither on this machine nor does it ask for certificates.
    """

    kind: Literal["local", "processes", "scheduler"] = "local"
    count: int = 0
    address: str = ""
    keys: Keys = Keys()
    exposed: bool = False


def parse_place(text: str, *, keys: Keys = Keys(), insecure: bool = False) -> Place:
    """Read ``--cluster``.

    Args:
        text: What stands behind it.
        keys: Certificates, for ``tls://``.
        insecure: Let frames run through a scheduler that anybody on the network can command.

    Raises:
        RequestError: It is none of `KINDS`, or a certificate is not there.
        EngineError: A scheduler off this machine without TLS.
    """
    place = _parsed(text, keys)
    if keys and not place.address.startswith("tls://"):
        raise RequestError("certificates go with --cluster tls://HOST:PORT", key="--tls-ca")
    for option, file in (("ca", keys.ca), ("cert", keys.cert), ("key", keys.key)):
        if file is not None and not file.is_file():
            raise RequestError("no such file", key=f"--tls-{option}", file=file)
    if place.exposed and not insecure:
        raise EngineError(
            f"{place.address} is not this machine, and without TLS anybody on the network can run "
            "anything there",
            key="--cluster",
            remedy="say tls:// (with --tls-ca, --tls-cert, --tls-key), or --insecure",
        )
    return place


def _parsed(text: str, keys: Keys) -> Place:
    if text == "local":
        return Place()
    if match := re.fullmatch(r"processes:([0-9]{1,4})", text):
        count = int(match[1])
        if 1 <= count <= _MOST_PROCESSES:
            return Place("processes", count)
        raise RequestError(f"{count} processes: say 1 to {_MOST_PROCESSES}", key="--cluster")
    scheme, host = _address(text)
    exposed = scheme == "tcp" and not _loopback(host)
    return Place("scheduler", address=text, keys=keys, exposed=exposed)


def _address(text: str) -> tuple[str, str]:
    """Scheme and host of a scheduler's address."""
    try:
        parts = urlsplit(text)
        plain = text == f"{parts.scheme}://{parts.netloc}" and "@" not in text
        if plain and parts.scheme in ("tcp", "tls") and parts.hostname and parts.port:
            return parts.scheme, parts.hostname
    except ValueError:  # a port that is no number
        pass
    raise RequestError(
        f"'{text}' is no place to run frames", key="--cluster", remedy=f"say {KINDS}"
    )


def _loopback(host: str) -> bool:
    """Whether every address of a host is this machine's own."""
    try:
        found = {str(entry[4][0]) for entry in socket.getaddrinfo(host, None)}
    except OSError:
        return False
    return all(ipaddress.ip_address(one.partition("%")[0]).is_loopback for one in found)
