"""The desk served on this machine: the socket first, then its address, then requests until Ctrl-C."""

from __future__ import annotations

import secrets
import signal
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from ipaddress import ip_address

import uvicorn

from pipeline.desk.app import desk_app
from pipeline.desk.desk import Desk
from pipeline.errors import RunError

LOCAL = "127.0.0.1"
MOST_AT_ONCE = 64
"""Requests in hand; more are answered 503. Two readers and their pictures need ten."""


def serve(desk: Desk, host: str, port: int, print_line: Callable[[str], None]) -> None:
    """Serve until Ctrl-C, or until the machine is shut down. `port` 0 takes any free one.

    Raises RunError when the address cannot be used."""
    here = is_local(host)
    token = "" if here else secrets.token_urlsafe(24)
    with _listening(host, port) as listener:
        taken = listener.getsockname()[1]
        shown = f"[{host}]" if ":" in host else host
        names = {f"{shown}:{taken}"} | ({f"localhost:{taken}"} if here else set())
        app = desk_app(desk, frozenset(n.lower() for n in names), token)
        config = uvicorn.Config(
            app, log_level="warning", access_log=False, server_header=False, limit_concurrency=MOST_AT_ONCE,
            timeout_keep_alive=30, lifespan="off", ws="none",
        )  # fmt: skip
        server = uvicorn.Server(config)
        with _stopped_by_signals(server):
            desk.fetch_first()
            print_line(f"http://{shown}:{taken}/" + (f"?token={token}" if token else ""))
            server.run(sockets=[listener])


@contextmanager
def _stopped_by_signals(server: uvicorn.Server) -> Iterator[None]:
    """In the block Ctrl-C and a shut-down of the machine stop the server, from before it begins until it has passed the
    signal on. An exception in their place could break off an import of this thread and leave its lock to nobody, and
    all other threads would wait for ever."""

    def stop(*_: object) -> None:
        server.should_exit = True

    kept = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield
    finally:
        for number, handler in kept.items():
            signal.signal(number, handler)


def is_local(host: str) -> bool:
    """Whether only programs of this machine reach an address. Raises RunError when it is no address."""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        raise RunError(f"--host {host}: give an address in numbers, as {LOCAL}") from None


def _listening(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # Without the protocol's number the event loop sets no TCP_NODELAY, and answers wait 40 ms for the other side.
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        if hasattr(socket, "SO_REUSEADDR") and not hasattr(socket, "SO_EXCLUSIVEADDRUSE"):
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((host, port))
        listener.listen(128)
    except OSError as e:
        listener.close()
        raise RunError(f"{host} port {port} cannot be used ({e.strerror}); give another --port, or 0 for any") from None
    return listener
