"""The server of the page: loopback only, until Ctrl-C or until nobody has asked for anything in a while."""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import socket
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import uvicorn

from sleepagree.errors import OutputError
from sleepagree.page.app import Desk, make_app
from sleepagree.page.folder import PrivateFolder
from sleepagree.page.guard import LARGEST_UPLOAD, Guard
from sleepagree.page.remembered import Remembered

_LOOK_EVERY_S: Final = 1.0
_ENDS_WITHIN_S: Final = 0.8


class _Server(uvicorn.Server):
    """A server that a signal ends quietly."""

    hurry: Callable[[], None]

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """End at the first signal, within a second whatever is still being answered."""

        def end(number: int, frame: object) -> None:  # noqa: ARG001
            self.should_exit = self.force_exit = True
            late = threading.Timer(_ENDS_WITHIN_S, self.hurry)
            late.daemon = True
            late.start()

        signals = [signal.SIGINT, signal.SIGTERM, *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])]
        before = {number: signal.signal(number, end) for number in signals}
        try:
            yield
        finally:
            for number, handler in before.items():
                signal.signal(number, handler)


def serve_page(*, port: int, idle_min: float, layouts: Path, announce: Callable[[str], None]) -> None:
    """Serve the page until it is told to end.

    Parameters
    ----------
    port : int
        Where to listen on 127.0.0.1; 0 for one that is free.
    idle_min : float
        Minutes without a request, and without a study that runs, after which it ends.
    layouts : Path
        A folder of the user's, where it is remembered how files were read.
    announce : callable
        Is told the address, key included, once it listens.

    Raises
    ------
    OutputError
        When the port cannot be had.
    """
    with _listening(port) as listener, PrivateFolder() as private:
        port = listener.getsockname()[1]
        # what is spooled while it arrives stays in the private folder, too
        tempfile.tempdir = str(private.path)
        desk = Desk(private.path, Remembered(layouts))
        guard = Guard(make_app(desk), port=port, largest=LARGEST_UPLOAD)
        config = uvicorn.Config(guard, log_config=None, access_log=False, lifespan="off", server_header=False)
        server = _Server(config)

        def hurry() -> None:
            desk.kill()
            private.remove()
            os._exit(0)

        server.hurry = hurry
        announce(f"http://127.0.0.1:{port}/?key={guard.key}")
        try:
            asyncio.run(_serve(server, listener, guard, desk, idle_min * 60))
        finally:
            desk.kill()
            tempfile.tempdir = None


async def _serve(server: _Server, listener: socket.socket, guard: Guard, desk: Desk, idle_s: float) -> None:
    async def watch() -> None:
        while not server.should_exit:
            if desk.busy:
                guard.last_asked = time.monotonic()
            if time.monotonic() - guard.last_asked > idle_s:
                server.should_exit = server.force_exit = True
            await asyncio.sleep(min(_LOOK_EVERY_S, idle_s))

    watching = asyncio.create_task(watch())
    await server.serve(sockets=[listener])
    watching.cancel()


@contextlib.contextmanager
def _listening(port: int) -> Iterator[socket.socket]:
    # asyncio sends small answers at once only through sockets that say they are TCP
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP) as listener:
        if os.name == "posix":  # elsewhere it would let a second program have the same port
            listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            listener.bind(("127.0.0.1", port))
            listener.listen(64)
        except OSError as error:
            problem, remedy = "the page cannot be served there", "Give another --port, or none: a free one is found."
            found = error.strerror or type(error).__name__
            raise OutputError(problem, f"127.0.0.1:{port}", found=found, remedy=remedy) from None
        yield listener
