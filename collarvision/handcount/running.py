"""Running: the site served from this computer, and what its terminal shows."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Final

from collarvision.handcount.entry import CODE_SECONDS, Code, Gate
from collarvision.handcount.protection import is_loopback
from collarvision.limitsfile import Limits
from collarvision.survey import SurveyWriter

_SOMEWHERE: Final = "192.0.2.1"  # RFC 5737: an address of nobody's; nothing is sent there


class RunError(Exception):
    """The site can't be served as asked; `str(error)` is one sentence."""


def serve(
    survey: Path,
    *,
    host: str,
    port: int,
    limits: Limits | None = None,
    check_bar_mm: float = 100.0,
    say: Callable[[str], None] = print,
) -> None:
    """Serve a survey's page until Ctrl-C.

    Parameters
    ----------
    survey : Path
        It must be there, and be writable.
    host, port : str, int
        To listen at; port 0 takes a free one.
    limits : Limits, optional
    check_bar_mm : float
        The card's check bar as measured on the print, for photos taken on the page.
    say : callable
        Shows a line to the person at this computer.

    Raises
    ------
    RunError
        There is nothing to listen at.
    collarvision.survey.SurveyError
        The survey can't be used.
    """
    import uvicorn

    from collarvision.handcount.site import create_site

    SurveyWriter(survey).close()  # brought up to date, and known to be writable
    listener = _listen(host, port)
    port = listener.getsockname()[1]
    inner = is_loopback(listener.getsockname()[0])
    addresses = () if inner else tuple(f"http://{_bracketed(a)}:{port}" for a in _reached_at(host))
    gate = Gate(lambda code: say(_invitation(code, addresses)) if addresses else None)
    app = create_site(
        survey,
        port=port,
        gate=gate,
        limits=limits,
        check_bar_mm=check_bar_mm,
        addresses=addresses,
    )
    say(f"The hand counts of {survey} are at http://{_local(listener)}:{port} (Ctrl-C ends it).")
    if addresses:
        gate.code()
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        server_header=False,
        # Nobody stands between a browser and this program; headers that say so are forged.
        proxy_headers=False,
        limit_concurrency=200,
        ws="none",
    )
    with listener:
        uvicorn.Server(config).run(sockets=[listener])


def _listen(host: str, port: int) -> socket.socket:
    try:
        found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE)
        family, _, _, _, address = found[0]
        return socket.create_server(address[:2], family=family, backlog=128)  # type: ignore[arg-type]
    except OSError as error:
        # `create_server` adds the address, which is said already.
        why = str(error.strerror or error).partition(" (while")[0]
        raise RunError(
            f"The page can't be served at {host}, port {port} ({why}): choose another "
            "port with --port, or check --host."
        ) from error


def _local(listener: socket.socket) -> str:
    address = str(listener.getsockname()[0])
    if ipaddress.ip_address(address.partition("%")[0]).is_unspecified:
        return "localhost"
    return "localhost" if is_loopback(address) else _bracketed(address)


def _reached_at(host: str) -> list[str]:
    """Addresses by which other machines reach this one, the likeliest first."""
    try:
        if not ipaddress.ip_address(host).is_unspecified:
            return [host]
    except ValueError:
        return [host]
    found = []
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect((_SOMEWHERE, 9))  # only asks which way a packet would go
            found.append(str(probe.getsockname()[0]))
        except OSError:
            pass
    try:
        named = socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
        found += [str(entry[4][0]) for entry in named]
    except OSError:
        pass
    kept = [address for address in dict.fromkeys(found) if not is_loopback(address)]
    return kept or ["localhost"]


def _bracketed(address: str) -> str:
    return f"[{address}]" if ":" in address else address


def _invitation(code: Code, addresses: tuple[str, ...]) -> str:
    import io

    import segno

    picture = io.StringIO()
    segno.make(f"{addresses[0]}/enter#{code.text}", error="m").terminal(
        out=picture, compact=True, border=2
    )
    others = "".join(f"\n  or {address}/enter" for address in addresses[1:])
    return (
        f"\nA phone on the same network: scan this, or open {addresses[0]}/enter{others}\n"
        f"and type the code {code.shown}. It lets one phone in and is good for "
        f"{round(CODE_SECONDS / 60)} minutes.\n{picture.getvalue()}"
        "What phones send is not encrypted on its way: use a network that you trust."
    )
