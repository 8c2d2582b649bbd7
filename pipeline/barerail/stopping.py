"""Ctrl-C ends a run within two seconds, in order where that can be, wherever in a library it is."""

import os
import signal
import socket
import sys
import threading
import time
from types import FrameType

PATIENCE_S, CODE = 1.0, 130
_WORDS = "barerail: stopped; what was done is kept, the same command goes on from there"
_SHOW_CURSOR = "\x1b[?25h"
_asked, _said = threading.Event(), threading.Event()


def asked() -> bool:
    """Whether Ctrl-C was pressed; errors after it are of the stop, whatever a library makes of them."""
    return _asked.is_set()


def say() -> None:
    """The one line about it."""
    _said.set()
    print(_WORDS, file=sys.stderr, flush=True)


def listen() -> None:
    """From now on Ctrl-C raises KeyboardInterrupt, and what isn't over a second later ends where it stands.

    A job bears that as it bears kill -9. Where the caller has this program ignore Ctrl-C, it goes on doing so.
    """
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        return
    here, there = socket.socketpair()
    there.setblocking(False)
    signal.signal(signal.SIGINT, _interrupted)
    signal.set_wakeup_fd(there.fileno(), warn_on_full_buffer=False)
    # A thread: the interrupt itself waits until the library that the main thread is in returns.
    threading.Thread(target=_watch, args=(here, there), daemon=True).start()


def deaf() -> None:
    """The work is over: Ctrl-C has nothing left to stop."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _interrupted(number: int, frame: FrameType | None) -> None:
    _asked.set()
    raise KeyboardInterrupt


def _watch(here: socket.socket, there: socket.socket) -> None:
    here.recv(1)
    _asked.set()
    time.sleep(PATIENCE_S)
    if not _said.is_set():
        if sys.stderr.isatty():
            sys.stderr.write(_SHOW_CURSOR)
        say()
    os._exit(CODE)
