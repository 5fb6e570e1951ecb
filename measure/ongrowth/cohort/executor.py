"""Who measures: this process, workers on this machine, or the workers of any Dask scheduler."""

from __future__ import annotations

import contextlib
import itertools
import logging
import os
import queue
import signal
import threading
import uuid
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

import ongrowth
from ongrowth.cohort.receipt import Failure
from ongrowth.cohort.ward import DEFAULT_LIMITS, Limits, Ward
from ongrowth.cohort.worker import Settled, Task, settle, write_failure
from ongrowth.scan import refuse
from ongrowth.sentence import counted

if TYPE_CHECKING:
    from distributed import Client, Future

Tell = Callable[[str], None]

_PER_WORKER_THREAD = 3  # tasks handed out at once: enough to keep a worker busy, few to lose
_LOOK_S = 20.0


class Executor(Protocol):
    """Settles tasks in any order."""

    def settled(self, tasks: Iterable[Task]) -> Iterator[Settled]:
        """Give how each task ended, as they end."""


@dataclass(frozen=True, slots=True)
class InProcess:
    """Measures in the calling process, one scan after the other, without limits: for finding faults."""

    def settled(self, tasks: Iterable[Task]) -> Iterator[Settled]:
        """Give how each task ended, in their order."""
        return map(settle, tasks)


@dataclass(frozen=True, slots=True)
class OneByOne:
    """Measures one scan after the other in one watched process, without Dask."""

    limits: Limits = DEFAULT_LIMITS

    def settled(self, tasks: Iterable[Task]) -> Iterator[Settled]:
        """Give how each task ended, in their order."""
        ward = Ward(self.limits)
        try:
            for task in tasks:
                yield ward.settle(task)
        finally:
            ward.close()


@dataclass(frozen=True, slots=True)
class LocalWorkers:
    """Measures with worker processes on this machine.

    Parameters
    ----------
    n_workers : int
        Workers; by default one for each core.
    limits : Limits
        What one scan may take.
    tell : callable
        Told in words when there is something to wait for.
    """

    n_workers: int = 0
    limits: Limits = DEFAULT_LIMITS
    tell: Tell = lambda _: None

    def settled(self, tasks: Iterable[Task]) -> Iterator[Settled]:
        """Give how each task ended, as they end."""
        from distributed import LocalCluster

        n_workers = self.n_workers or cores()
        self.tell(f"Starting {counted(n_workers, 'worker')}")
        with _quiet_dask(), _without_callers_script():
            with _deaf_to_interrupts():
                cluster = LocalCluster(
                    n_workers=n_workers,
                    threads_per_worker=1,
                    memory_limit=0,
                    dashboard_address="127.0.0.1:0",  # any free port: several cohorts may run on one machine
                    silence_logs=50,
                )
            with cluster:
                yield from Scheduler(cluster.scheduler_address, self.limits, self.tell).settled(tasks)


def cores() -> int:
    """Return the number of cores this process may use."""
    with contextlib.suppress(AttributeError):  # not on this system
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextlib.contextmanager
def _quiet_dask() -> Iterator[None]:
    """Set Dask as we need it, and keep its log from the user: what matters is told in our words."""
    import dask
    import distributed

    names = [name for name in logging.root.manager.loggerDict if name.startswith(distributed.__name__)]
    levels = {name: logging.getLogger(name).level for name in names}
    with (
        dask.config.set(
            {
                "distributed.worker.daemon": False,
                "distributed.comm.timeouts.connect": "120s",
                "distributed.scheduler.allowed-failures": 1,  # its scans are tried once more alone
            }
        ),
        contextlib.ExitStack() as afterwards,
    ):
        for name, level in levels.items():
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)
            afterwards.callback(logging.getLogger(name).setLevel, level)
        yield


@contextlib.contextmanager
def _deaf_to_interrupts() -> Iterator[None]:
    """Start processes that leave Ctrl-C to this one, which ends them; else each would tell its own end."""
    if threading.current_thread() is not threading.main_thread():  # only there can it be set
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextlib.contextmanager
def _without_callers_script() -> Iterator[None]:
    """Start processes without running the caller's script once more in each of them.

    A spawned process imports it, so a plain script of a few lines would begin a run of its own there. What
    it measures with reaches the workers by value.
    """
    from multiprocessing import spawn

    prepare = spawn.get_preparation_data

    def without_script(name: str) -> dict[str, object]:
        return {key: value for key, value in prepare(name).items() if not key.startswith("init_main")}

    spawn.get_preparation_data = without_script
    try:
        yield
    finally:
        spawn.get_preparation_data = prepare


@dataclass(frozen=True, slots=True)
class Scheduler:
    """Measures with the workers of a Dask scheduler, on as many machines as it has.

    Parameters
    ----------
    address : str
        For example ``tcp://10.0.0.5:8786``.
    limits : Limits
        What one scan may take.
    tell : callable
        Told in words when there is something to wait for.

    Notes
    -----
    Each worker must see the scans and the output folder under the same paths, and have the same version of
    this program: both are asked before the first scan. A scan whose worker died again and again is tried
    once more when nothing else is under way, so that no scan is blamed for its neighbour.
    """

    address: str
    limits: Limits = DEFAULT_LIMITS
    tell: Tell = lambda _: None

    def settled(self, tasks: Iterable[Task]) -> Iterator[Settled]:
        """Give how each task ended, as they end.

        Raises
        ------
        Refused
            Code ``no-scheduler``, ``scheduler-lost``, ``no-shared-folder`` or ``mixed-versions``.
        """
        tasks = iter(tasks)
        first = next(tasks, None)
        if first is None:
            return
        with _quiet_dask(), self._client() as client, self._loss_told():
            self._ask_workers(client, first.out)
            suspects: list[Task] = []
            yield from self._round(client, itertools.chain([first], tasks), suspects.append)
            for task in suspects:
                yield from self._round(client, [task], None)

    def _client(self) -> Client:
        from distributed import Client

        try:
            return Client(self.address, timeout="30s", set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            raise refuse(
                "no-scheduler",
                f"No Dask scheduler answers at {self.address}.",
                "Start one with `dask scheduler`, or check the address.",
            ) from error

    @contextlib.contextmanager
    def _loss_told(self) -> Iterator[None]:
        from concurrent.futures import CancelledError

        from distributed.comm.core import CommClosedError

        try:
            yield
        except (CancelledError, CommClosedError) as error:  # nobody but a client without scheduler cancels
            raise refuse(
                "scheduler-lost",
                f"The Dask scheduler at {self.address} is gone.",
                "Start it again and run the same command; finished results are kept.",
            ) from error

    def _ask_workers(self, client: Client, out: Path) -> None:
        """Refuse workers of another version, or such that do not see the output folder."""
        client.wait_for_workers(1, timeout=600)
        mark = out / f".seen-by-workers-{uuid.uuid4().hex}"
        mark.touch()
        try:
            answers = client.run(_introduce, str(mark))
        finally:
            mark.unlink()
        strange = sorted({version for version, _ in answers.values()} - {ongrowth.__version__})
        if strange:
            raise refuse(
                "mixed-versions",
                f"Workers run version {', '.join(strange)}, this is {ongrowth.__version__}.",
                "Install the same version everywhere.",
            )
        if not all(is_seen for _, is_seen in answers.values()):
            raise refuse(
                "no-shared-folder",
                "A worker does not see the output folder.",
                "Put scans and output on a disk that all machines share, under the same path.",
            )

    def _round(
        self, client: Client, tasks: Iterable[Task], suspect: Callable[[Task], None] | None
    ) -> Iterator[Settled]:
        """Settle tasks, few of them handed out at a time; `suspect` takes those whose workers died."""
        tasks = iter(tasks)
        ended: queue.SimpleQueue[Future[Settled]] = queue.SimpleQueue()
        under_way: dict[Any, tuple[Future[Settled], Task]] = {}
        while True:
            for task in itertools.islice(tasks, max(0, self._room(client) - len(under_way))):
                future = client.submit(_attend, task, self.limits, key=f"scan-{uuid.uuid4().hex}", pure=False)
                under_way[future.key] = (future, task)
                future.add_done_callback(ended.put)
            if not under_way:
                return
            try:
                done = ended.get(timeout=_LOOK_S)
            except queue.Empty:
                self._tell_waiting(client)
                continue
            future, task = under_way.pop(done.key)
            outcome = self._outcome(future, task, suspect)
            if outcome is not None:
                yield outcome

    def _outcome(
        self, future: Future[Settled], task: Task, suspect: Callable[[Task], None] | None
    ) -> Settled | None:
        from distributed import KilledWorker

        try:
            return future.result()
        except KilledWorker:
            if suspect is not None:
                suspect(task)
                return None
            return write_failure(task, _worker_killed())

    @staticmethod
    def _room(client: Client) -> int:
        """Return how many tasks may be handed out: a few for each worker that is there now."""
        workers = client.scheduler_info(n_workers=-1)["workers"].values()
        return max(4, _PER_WORKER_THREAD * sum(int(worker["nthreads"]) for worker in workers))

    def _tell_waiting(self, client: Client) -> None:
        if not client.scheduler_info(n_workers=-1)["workers"]:
            self.tell("No worker is connected to the scheduler; waiting for one")


def _worker_killed() -> Failure:
    return Failure(
        "worker-killed",
        "The worker died each time this scan was measured, also when nothing else was under way.",
        "Look at this scan with `ongrowth check` on a machine that can spare it.",
    )


def _introduce(mark: str) -> tuple[str, bool]:
    return ongrowth.__version__, Path(mark).exists()


_wards = threading.local()


def _attend(task: Task, limits: Limits) -> Settled:
    """Settle a task on a worker, in the watched process that belongs to its thread."""
    ward: Any = getattr(_wards, "ward", None)
    if ward is None or ward.limits != limits:
        if ward is not None:
            ward.close()
        ward = _wards.ward = Ward(limits)
    settled: Settled = ward.settle(task)
    return settled


__all__ = ["Executor", "InProcess", "LocalWorkers", "OneByOne", "Scheduler", "cores"]
