"""Run as a script: runs `tautlog` commands, each in a process of its own, forked from this one with the program loaded.

A command then costs what it does, and not the loading, anew for each, of what all of them load: over half a second of
two. From the fork on it is the process that `python -m pipeline.cli` would be: it has the module for its main one, its
own files for output, no input, and ends as an interpreter does. Whoever asks never imports the program.

Takes on the listening socket whose number it is given: a line of JSON, `{"words": […], "out": FILE, "err": FILE}`.
Answers: the exit code, or the negative number of the signal that ended it. Ends with its standard input.
"""

import importlib
import json
import os
import pkgutil
import runpy
import select
import socket
import sys
from typing import Any

MAIN = "pipeline.cli"


def load() -> None:
    """Import every module of the program but its main one, and what the modules load when first they need it."""
    import pipeline

    for module in pkgutil.walk_packages(pipeline.__path__, "pipeline."):
        if module.name != MAIN:
            importlib.import_module(module.name)
    importlib.import_module("numba")


def serve(listening: socket.socket) -> dict[str, Any] | None:
    """Wait for commands and fork for each: in the new process what it was asked, in this one None at last."""
    waiting: set[int] = set()  # processes that each wait for one command
    with listening:
        while True:
            ready, _, _ = select.select([listening, sys.stdin], [], [])
            waiting -= {process for process in waiting if os.waitpid(process, os.WNOHANG)[0] == process}
            if sys.stdin in ready:
                for process in waiting:
                    os.waitpid(process, 0)
                return None
            asking, _ = listening.accept()
            process = os.fork()
            if process == 0:
                break
            waiting.add(process)
            asking.close()
    with asking:
        asked: dict[str, Any] = json.loads(asking.makefile().readline())
        command = os.fork()
        if command == 0:
            return asked
        _, status = os.waitpid(command, 0)
        asking.sendall(b"%d\n" % os.waitstatus_to_exitcode(status))
    os._exit(0)


def become(asked: dict[str, Any]) -> None:
    """The command, until it ends this process."""
    for stream, file in enumerate((os.devnull, asked["out"], asked["err"])):
        opened = os.open(file, os.O_RDONLY if stream == 0 else os.O_WRONLY)
        os.dup2(opened, stream)
        os.close(opened)
    sys.argv = ["", *asked["words"]]
    runpy.run_module(MAIN, run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    load()
    if (given := serve(socket.socket(fileno=int(sys.argv[1])))) is not None:
        become(given)
