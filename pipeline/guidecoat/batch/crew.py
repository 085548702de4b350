"""The workers of a batch: a local Dask cluster of processes, or one that runs elsewhere."""

from __future__ import annotations

import contextlib
import logging
import os
import signal
import sys
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from ..errors import SettingsError
from .roll_call import call_roll

if TYPE_CHECKING:
    from distributed import Client, LocalCluster

# One thread each for what a process might start by itself: the workers fill the cores.
ONE_THREAD = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), 1)
# What the system and other programs are left with.
_SHARE_OF_MEMORY = 0.85
_CONNECT_S = 10
# A job's own guard, which knows the reason, is to come before the cluster's.
_BACKSTOP = 1.25
_CLOSE_S = 3


@dataclass(frozen=True)
class Crew:
    """Workers ready for jobs. `budget_mb` is the memory of all of them together, 0 if unknown."""

    client: Client
    local: bool
    budget_mb: float

    def workers(self) -> dict[str, Any]:
        """What the scheduler says of each worker there is now, by address."""
        # It says nothing at all when it is gone.
        return dict(self.client.scheduler_info(n_workers=-1).get("workers", {}))

    def size(self) -> int:
        """How many workers there are now, at least 1: lost ones are on their way back."""
        return max(1, len(self.workers()))


def local_size(workers: int | None, *, budget_mb: float, least_mb: float, jobs: int) -> int:
    """How many local workers to start: no more than cores, jobs, or what the memory holds.

    `workers` is what was asked for and wins over the cores.
    """
    from dask.system import CPU_COUNT

    by_memory = int(budget_mb // least_mb) if least_mb > 0 else jobs
    return max(1, min(workers or CPU_COUNT, jobs, max(by_memory, 1)))


def memory_budget_mb() -> float:
    """Memory that jobs may take together on this machine, or in the container it runs in."""
    import psutil
    from distributed.system import MEMORY_LIMIT

    available: int = psutil.virtual_memory().available
    return _SHARE_OF_MEMORY * min(available, MEMORY_LIMIT) / 1e6


@contextlib.contextmanager
def local_crew(workers: int, *, budget_mb: float) -> Iterator[Crew]:
    """Start worker processes on this machine; they end with this process, however it ends."""
    import dask
    from distributed import Client, LocalCluster

    options = {
        "distributed.worker.multiprocessing-method": "spawn",
        "distributed.nanny.pre-spawn-environ": ONE_THREAD,
        # A lost job comes back to the batch, which knows why and whether to try again.
        "distributed.scheduler.allowed-failures": 0,
        "distributed.scheduler.worker-saturation": 1.0,
        "distributed.worker.memory.target": False,
        "distributed.worker.memory.spill": False,
        "distributed.worker.memory.pause": False,
        "distributed.admin.system-monitor.gil.enabled": False,
        "distributed.worker.profile.enabled": False,
    }
    with dask.config.set(options), _interrupts_kept_from_children():
        cluster = LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            # No page of its own; its port is any that is free, and seen by this machine only.
            scheduler_kwargs={"dashboard": False, "dashboard_address": "127.0.0.1:0"},
            memory_limit=int(_BACKSTOP * budget_mb * 1e6),
            silence_logs=logging.CRITICAL,
        )
        client = Client(cluster)
    try:
        with dask.config.set(options):
            yield Crew(client, True, budget_mb)
    finally:
        with _interrupts_put_off():
            with _quietly():
                client.close(timeout=_CLOSE_S)
            _end(cluster)


def _end(cluster: LocalCluster) -> None:
    """Close a cluster of our own; a worker that is in the middle of a job is ended under it."""
    import psutil

    workers = []
    for nanny in cluster.workers.values():
        with contextlib.suppress(psutil.Error):
            if nanny.pid is not None:
                workers.append(psutil.Process(nanny.pid))

    def kill() -> None:
        for worker in workers:
            with contextlib.suppress(psutil.Error):
                worker.kill()

    # Native code does not hear that it is to stop, and the cluster would wait for it for long.
    patience = threading.Timer(_CLOSE_S, kill)
    patience.start()
    try:
        with _quietly():
            cluster.close(timeout=10 * _CLOSE_S)
    finally:
        patience.cancel()


@contextlib.contextmanager
def remote_crew(address: str, *, seen: tuple[str, ...]) -> Iterator[Crew]:
    """Join a Dask cluster that runs elsewhere; it is left as it was.

    `seen` : paths of files that every worker has to see.

    Raises
    ------
    SettingsError : nothing answers at the address, it has no workers, or they cannot do the jobs.
    """
    from distributed import Client

    logging.getLogger("distributed").setLevel(logging.CRITICAL)
    try:
        client = Client(address, timeout=_CONNECT_S)
    except (OSError, ValueError, RuntimeError) as error:
        raise SettingsError(
            f"--cluster {address}: no scheduler answers there ({error}): start one with `dask "
            "scheduler` and give the address it prints, such as tcp://10.0.0.5:8786"
        ) from error
    try:
        workers = client.scheduler_info(n_workers=-1)["workers"]
        if not workers:
            raise SettingsError(
                f"--cluster {address}: the scheduler has no workers: start some with `dask worker "
                f"{address} --nthreads 1`"
            )
        call_roll(client, cluster=address, seen=seen)
        limits = [worker["memory_limit"] for worker in workers.values()]
        budget_mb = sum(limits) / 1e6 if all(limits) else 0.0
        yield Crew(client, False, budget_mb)
    finally:
        with _quietly():
            client.close(timeout=_CLOSE_S)


@contextlib.contextmanager
def _interrupts_kept_from_children() -> Iterator[None]:
    """Start threads and processes that Ctrl-C does not reach: the batch stops them itself.

    A terminal sends it to every process of the command at once; a signal that is blocked stays so
    in the threads and processes that are started meanwhile, and in what those start later.
    """
    if os.name != "posix" or threading.current_thread() is not threading.main_thread():
        yield
        return
    from multiprocessing import resource_tracker

    # It unblocks the signals where it is started, so that has to come first.
    resource_tracker.ensure_running()
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextlib.contextmanager
def _interrupts_put_off() -> Iterator[None]:
    """Close workers whole: a first Ctrl-C meanwhile is obeyed after, a second is not needed."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    obeyed = sys.exc_info()[0] is KeyboardInterrupt
    asked: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, _frame: asked.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if asked and not obeyed:
        signal.raise_signal(signal.SIGINT)


@contextlib.contextmanager
def _quietly() -> Iterator[None]:
    """Leaving a cluster that is already gone is no failure of the batch."""
    with contextlib.suppress(OSError, RuntimeError, TimeoutError):
        yield
