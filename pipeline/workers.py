"""Who does the parallel work of a night: this process, processes of this machine, or a Dask cluster.

The night hands out jobs that share nothing: each reads immutable files, writes new ones under names of its own, and
returns small rows. So a job may run anywhere, and twice; only what the coordinator commits counts.

Processes of this machine are forked from a server that has the program loaded, and are kept apart on purpose: they
parse what strangers wrote. Each has a bound on memory, a job may have one on CPU time, and one that dies takes no
other down: its job is tried once more alone, and then told as `Died`. They end when the coordinator does, however it
ends; until the last of them is gone the site's `workers.lock` is held, so that nothing is swept from under one.
"""

from __future__ import annotations

import fcntl
import multiprocessing
import os
import resource
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import connection, forkserver, resource_tracker
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

from pipeline.errors import RegisterError, SiteBusy, StoreError

J = TypeVar("J")
R = TypeVar("R")
LOCK = "workers.lock"
MOST = 1024
SAFE_PATH = "PYTHONSAFEPATH"
SERIAL = "serial"
PRELOADED = ("pipeline.night.awake",)
"""What the fork server loads, once for all workers: everything that a job imports."""
MEMORY_SHARE = 0.8
"""Of this machine's memory, what all workers together may take."""
MEMORY_LEAST = 1 << 30
"""What a worker may take at least [bytes]: some four times what it needs."""
KILLED = "KilledWorker"
"""Dask's name for a job that took several workers down: its class is not at hand where Dask is not installed."""
LEAVING_S = 20.0
"""How long a run waits for workers of a dead run to end: they notice within milliseconds, or end one write first."""


@dataclass(frozen=True)
class Died:
    """In place of a job's result: the process that did it died, among others and then alone. `how` in words."""

    how: str


class Serial(Executor):
    """Does each job at once, in this process: for tests, debugging, and machines that may not fork."""

    def submit(self, fn: Callable[..., R], /, *args: Any, **kwargs: Any) -> Future[R]:
        future: Future[R] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except BaseException as error:
            future.set_exception(error)
        return future


class Workers:
    """Workers of one run, started when the first job comes. Use it in a `with`, which ends them.

    `count`: how many jobs run at once. `isolated`: a job that kills its process kills nobody else. `lost`: whether a
    worker has died; then half of what it, and those ended with it, were writing may still lie in the store.
    """

    def __init__(self, start: Callable[[], Executor], *, count: int, isolated: bool) -> None:
        self._start = start
        self._executor: Executor | None = None
        self.count, self.isolated, self.lost = count, isolated, False

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.end(wait=kind is None)
        if kind is not None:
            # What they are doing counts for nothing any more; else the interpreter would wait for them at its end.
            for process in multiprocessing.active_children():
                process.kill()

    def end(self, *, wait: bool = True) -> None:
        """Let the workers go, once they have done what they were at; the next job would start new ones."""
        if self._executor is not None:
            self._executor.shutdown(wait=wait, cancel_futures=True)
            self._executor = None

    def start(self) -> None:
        """Start now rather than with the first job, because there will be one."""
        if self.isolated and self._executor is None:
            self._now().submit(os.getpid)

    def meanwhile(self, task: Callable[[int], object]) -> None:
        """Have every worker do something that makes later jobs quicker, when it has nothing else to do."""
        if self.isolated and self._executor is not None:
            for i in range(self.count):
                self._submit(partial(task, i))

    def all(self, task: Callable[[J], R], jobs: Sequence[J]) -> list[R]:
        """The result of every job, in order. StoreError when a worker dies with one twice; what a job raises."""
        return list(self.sure(self.each(task, jobs)))

    @staticmethod
    def sure(results: Iterator[R | Died]) -> Iterator[R]:
        """Results of `each`, where a job that cannot be done is an end to it all: StoreError."""
        for result in results:
            if isinstance(result, Died):
                raise StoreError(
                    f"a worker process died with its job: {result.how}",
                    next_step="look for the kernel's out-of-memory killer in the system's log, then run again",
                )
            yield result

    def each(
        self, task: Callable[[J], R], jobs: Sequence[J], *, cpu_limit_s: Callable[[J], float] | None = None
    ) -> Iterator[R | Died]:
        """The result of every job, in order, or `Died`; all are handed out at once, before the first result is asked.

        `cpu_limit_s`: CPU time that a job may take, where isolated.
        """
        limits = [None if cpu_limit_s is None or not self.isolated else cpu_limit_s(job) for job in jobs]
        calls = [
            partial(task, job) if limit is None else partial(_within, limit, task, job)
            for job, limit in zip(jobs, limits, strict=True)
        ]
        return self._results(calls, [self._submit(call) for call in calls])

    def _results(self, calls: Sequence[Callable[[], R]], futures: Sequence[Future[R]]) -> Iterator[R | Died]:
        for future, call in zip(futures, calls, strict=True):
            try:
                yield future.result()
            except BrokenExecutor:
                yield self._alone(call)
            except Exception as error:
                if type(error).__name__ != KILLED:
                    raise
                yield Died(str(error))

    def _alone(self, call: Callable[[], R]) -> R | Died:
        """Run a job again whose worker died, or died beside it: with nothing else to blame."""
        self._executor, self.lost = None, True
        try:
            return self._now().submit(call).result()
        except BrokenExecutor as error:
            self._executor = None
            return Died(str(error))

    def _submit(self, call: Callable[[], R]) -> Future[R]:
        try:
            return self._now().submit(call)
        except BrokenExecutor as error:
            broken: Future[R] = Future()
            broken.set_exception(error)
            return broken

    def _now(self) -> Executor:
        if self._executor is None:
            self._executor = self._start()
        return self._executor


def expect_work(choice: str | None, also: Sequence[str] = ()) -> None:
    """Let the fork server load the program meanwhile, where `--workers` means processes: it takes half a second.

    `also`: modules that the jobs to come import besides.
    """
    if choice is None or choice.isdecimal():
        _start_fork_server(also)


def choose(choice: str | None, site_root: Path) -> Workers:
    """The workers that `--workers` names: `serial`, a number of processes, `tcp://…` of a Dask scheduler.

    None: a process for each core. Raises ValueError for anything else, StoreError when no scheduler answers.
    """
    if choice == SERIAL:
        return Workers(Serial, count=1, isolated=False)
    if choice is not None and is_remote(choice):
        return _dask(choice)
    count = len(os.sched_getaffinity(0)) if choice is None else int(choice)
    if not 1 <= count <= MOST:
        raise ValueError(f"from 1 to {MOST} processes")
    return Workers(partial(_processes, count, site_root), count=count, isolated=True)


def is_remote(choice: str | None) -> bool:
    """Whether `--workers` names a cluster: then nothing on this machine tells when the last worker is gone."""
    return choice is not None and "://" in choice


def wait_until_gone(site_root: Path, wait_s: float = LEAVING_S) -> None:
    """Return once no worker process of an earlier run is left on this machine; SiteBusy when one will not go."""
    handle = os.open(site_root / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    try:
        until = time.monotonic() + wait_s
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                return
            except BlockingIOError:
                if time.monotonic() > until:
                    raise SiteBusy(
                        "worker processes of a run that died are still there",
                        file=site_root / LOCK,
                        next_step="end them (`fuser` names them), then run again",
                    ) from None
                time.sleep(0.02)
    finally:
        os.close(handle)


def _processes(count: int, site_root: Path) -> ProcessPoolExecutor:
    context = multiprocessing.get_context("forkserver")
    _start_fork_server()
    memory = max(MEMORY_LEAST, int(os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") * MEMORY_SHARE) // count)
    return ProcessPoolExecutor(count, mp_context=context, initializer=_begin, initargs=(str(site_root), memory))


def _start_fork_server(also: Sequence[str] = ()) -> None:
    """Have it run, and load the program, unmoved by Ctrl-C: a terminal sends that to every process of a command.

    Python would have it look for modules in the folder that a command is run in before all others: whoever has a folder
    `pipeline` there would have it loaded in place of ours.
    """
    forkserver.set_forkserver_preload([*PRELOADED, *also])
    resource_tracker.ensure_running()  # first: it opens the mask again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    safe = os.environ.get(SAFE_PATH)
    os.environ[SAFE_PATH] = "1"
    try:
        forkserver.ensure_running()
    finally:
        if safe is None:
            del os.environ[SAFE_PATH]
        else:
            os.environ[SAFE_PATH] = safe
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin(site_root: str, memory: int) -> None:
    """What a worker process does first: bind itself to the coordinator's life and to its limits."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the coordinator decides what a Ctrl-C ends
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    resource.setrlimit(resource.RLIMIT_DATA, (memory, memory))
    # Held until this process is gone, whatever ends it: never closed.
    fcntl.flock(os.open(Path(site_root) / LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644), fcntl.LOCK_SH)
    threading.Thread(target=_end_with_coordinator, daemon=True).start()


def _end_with_coordinator() -> None:
    coordinator = multiprocessing.parent_process()
    if coordinator is not None:
        connection.wait([coordinator.sentinel])
        os.kill(os.getpid(), signal.SIGKILL)


def _within(cpu_s: float, task: Callable[[J], R], job: J) -> R:
    """Do a job in at most so much CPU time; beyond it the kernel ends this process, whatever loop it is in."""
    signal.setitimer(signal.ITIMER_PROF, cpu_s)
    try:
        return task(job)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)


def _dask(address: str) -> Workers:
    try:
        from distributed import Client
    except ImportError as error:
        raise RegisterError(
            "workers of a Dask cluster need Dask",
            found=address,
            next_step="install tautlog with its extra: tautlog[dask]",
        ) from error
    try:
        make: Any = Client  # it has no types
        client = make(address, timeout=10, set_as_default=False)
    except (OSError, TimeoutError, ValueError) as error:
        raise StoreError(
            f"no Dask scheduler answers at {address}: {error}", next_step="start it, or leave --workers out"
        ) from error
    count = sum(client.nthreads().values())
    return Workers(partial(_Cluster, client), count=count, isolated=False)


class _Cluster(Executor):
    """The executor of a Dask client, with the client's life bound to it. A job is never taken for one done before."""

    def __init__(self, client: Any) -> None:
        self._client = client
        self._executor = client.get_executor(pure=False)

    def submit(self, fn: Callable[..., R], /, *args: Any, **kwargs: Any) -> Future[R]:
        future: Future[R] = self._executor.submit(fn, *args, **kwargs)
        return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        self._executor.shutdown(wait=wait and not cancel_futures)
        self._client.close()
