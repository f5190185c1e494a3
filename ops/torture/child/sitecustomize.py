"""Loaded by Python itself at the start of every process of a tortured night, when its folder is on PYTHONPATH.

It listens to the interpreter's audit events and, as the environment asks, writes down each one that touches the site
and kills or holds the process at the n-th, or shifts the clock. The program under torture knows nothing of it.

  TORTURE_SITE        folder whose events count                  TORTURE_TRACE      folder for one log a process
  TORTURE_ROLE        whose events count: coordinator | worker   TORTURE_AT         number of the event to act at
  TORTURE_AFTER_S     wait so long after that event, meanwhile going on
  TORTURE_DO          kill (this process) | kill-coordinator | kill-all (the whole session)
                      | hold (sleep until TORTURE_TRACE/go exists)
  TORTURE_CLOCK_S     what is added to the clock
"""

import os
import signal
import sys
import threading
import time
from typing import Any

EVENTS = {
    "open", "os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.symlink", "os.link", "os.chmod", "os.truncate",
    "os.scandir", "os.listdir", "shutil.rmtree",
}  # fmt: skip
COORDINATOR = "TORTURE_COORDINATOR"


class _Torturer:
    """Counts the events of this process that touch the site, and acts at one of them."""

    def __init__(self, site: str, trace: str, role: str) -> None:
        self.site, self.trace = site, trace
        self.after_s = float(os.environ.get("TORTURE_AFTER_S", "0"))
        self.do = os.environ.get("TORTURE_DO", "kill")
        self.begin(role)

    def begin(self, role: str) -> None:
        """Count from here on, as a process of this role; a process forked from another does so anew."""
        self.role = role
        mine = role == os.environ.get("TORTURE_ROLE", "coordinator")
        self.at = int(os.environ.get("TORTURE_AT", "0")) if mine else 0
        self.log = os.open(f"{self.trace}/{role}.{os.getpid()}", os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o644)
        self.lock = threading.Lock()
        self.seen = 0

    def __call__(self, event: str, args: tuple[Any, ...]) -> None:
        if event not in EVENTS:
            return
        named = (os.fsdecode(arg) for arg in args if isinstance(arg, str | bytes | os.PathLike))
        paths = [path for path in named if path.startswith(self.site)]
        if not paths:
            return
        if event == "open" and isinstance(args[2], int) and args[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
            event = "write"
        with self.lock:
            self.seen += 1
            number = self.seen
            line = f"{time.monotonic_ns()}\t{event}\t{paths[-1].removeprefix(self.site)}\n"
            os.write(self.log, line.encode("utf-8", "replace"))
        if number == self.at:
            self._act()

    def _act(self) -> None:
        if self.role == "worker":
            try:
                os.close(os.open(f"{self.trace}/worker-hit", os.O_WRONLY | os.O_CREAT | os.O_EXCL))
            except FileExistsError:
                return  # one worker only
        if self.do == "hold":
            os.close(os.open(f"{self.trace}/holding", os.O_WRONLY | os.O_CREAT))
            while not os.path.exists(f"{self.trace}/go"):
                time.sleep(0.01)
        elif self.after_s > 0:
            timer = threading.Timer(self.after_s, self._kill)
            timer.daemon = True
            timer.start()
        else:
            self._kill()

    def _kill(self) -> None:
        if self.do == "kill-all":
            os.killpg(os.getpgrp(), signal.SIGKILL)
        os.kill(int(os.environ[COORDINATOR]) if self.do == "kill-coordinator" else os.getpid(), signal.SIGKILL)


def _shift_clock(by_s: float) -> None:
    """Shift what `time` says. Not `datetime.now`, which asks the kernel itself, nor what the file system stamps."""
    real_s, real_ns = time.time, time.time_ns
    time.time = lambda: real_s() + by_s
    time.time_ns = lambda: real_ns() + round(by_s * 1e9)


def _begin() -> None:
    site, trace = os.environ.get("TORTURE_SITE"), os.environ.get("TORTURE_TRACE")
    if site is not None and trace is not None:
        role = "worker" if COORDINATOR in os.environ else "coordinator"
        os.environ.setdefault(COORDINATOR, str(os.getpid()))
        torturer = _Torturer(site, trace, role)
        os.register_at_fork(after_in_child=lambda: torturer.begin("worker"))
        sys.addaudithook(torturer)
    if "TORTURE_CLOCK_S" in os.environ:
        _shift_clock(float(os.environ["TORTURE_CLOCK_S"]))


_begin()
