"""A process of its own in which scans are measured one after the other, watched for time and memory.

Whatever a scan does to that process (a crash in compiled code, a memory hog, an endless loop) costs this
scan alone: the process is replaced and the next scan begins. Tasks go in as pickles, since they name the
function that measures; replies come out as JSON, since that process has read foreign files.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from ongrowth.cohort.receipt import Failure
from ongrowth.cohort.worker import Settled, Task, out_of_memory, settle, write_failure

# keeps numerics to one thread: many workers do not fight for cores, and sums keep their order
ONE_THREAD = dict.fromkeys(
    (
        "OMP_NUM_THREADS",
        "OPENBLAS_NUM_THREADS",
        "MKL_NUM_THREADS",
        "VECLIB_MAXIMUM_THREADS",
        "NUMEXPR_NUM_THREADS",
        "ITK_GLOBAL_DEFAULT_NUMBER_OF_THREADS",
    ),
    "1",
)

# set by Dask for its workers: with it memory goes back to the system after each array and is fetched again
# page by page, and arithmetic on arrays of some 100 kB takes several times as long
_NOT_HANDED_ON = "MALLOC_TRIM_THRESHOLD_"

_LOOK_S = 0.1
_READY = "ready"
_MIB = float(1 << 20)


@dataclass(frozen=True, slots=True)
class Limits:
    """What one scan may take.

    Parameters
    ----------
    seconds : float
        Time from its start.
    memory_mb : float
        Memory of the measuring process.
    """

    seconds: float = 1800.0
    memory_mb: float = 6000.0


DEFAULT_LIMITS = Limits()


class Ward:
    """The watched process and the pipe to it; it is started when first needed.

    Parameters
    ----------
    limits : Limits
        What one scan may take.
    """

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self._process: subprocess.Popen[bytes] | None = None
        self._replies: queue.SimpleQueue[Settled | str | None] = queue.SimpleQueue()

    def settle(self, task: Task) -> Settled:
        """Return how a scan ended; a process that died over it, or had to be ended, is its failure."""
        import cloudpickle

        process = self._running()
        if process.stdin is None:
            raise RuntimeError("the measuring process has no inbox")
        with contextlib.suppress(BrokenPipeError):  # told below as the death of the process
            process.stdin.write(cloudpickle.dumps(task))
            process.stdin.flush()
        failure = self._watch(process)
        return failure if isinstance(failure, Settled) else write_failure(task, failure)

    def _running(self) -> subprocess.Popen[bytes]:
        if self._process is None or self._process.poll() is not None:
            self.close()
            self._process = _start()
            self._replies = queue.SimpleQueue()
            threading.Thread(target=_listen, args=(self._process, self._replies), daemon=True).start()
            self._replies.get()  # it is there, or has died, which the first task will tell
        return self._process

    def _watch(self, process: subprocess.Popen[bytes]) -> Settled | Failure:
        """Wait for the reply, or for a reason to end the process."""
        end = time.monotonic() + self.limits.seconds
        reply: Settled | Failure | str | None
        while True:
            try:
                reply = self._replies.get(timeout=_LOOK_S)
            except queue.Empty:
                reply = self._beyond_limits(process, end)
                if reply is None and process.poll() is None:
                    continue
            if isinstance(reply, Failure):
                self.close()
                return reply
            return reply if isinstance(reply, Settled) else _died(process.wait())

    def _beyond_limits(self, process: subprocess.Popen[bytes], end: float) -> Failure | None:
        if time.monotonic() > end:
            return Failure(
                "out-of-time",
                f"Measuring took longer than the {self.limits.seconds / 60.0:g} minutes one scan may have.",
                "Raise --minutes, or look at this scan with `ongrowth check`.",
            )
        return out_of_memory() if _memory_mb(process.pid) > self.limits.memory_mb else None

    def close(self) -> None:
        """End the process."""
        if self._process is None:
            return
        self._process.kill()
        self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()
        self._process = None


def _start() -> subprocess.Popen[bytes]:
    import cloudpickle

    process = subprocess.Popen(
        [sys.executable, "-c", "from ongrowth.cohort.ward import serve; serve()"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={name: text for name, text in os.environ.items() if name != _NOT_HANDED_ON} | ONE_THREAD,
        start_new_session=True,  # else Ctrl-C, heard by all of a terminal's processes, passes for a bad scan
    )
    if process.stdin is not None:
        process.stdin.write(cloudpickle.dumps((os.getpid(), sys.path)))
        process.stdin.flush()
    return process


def _listen(process: subprocess.Popen[bytes], replies: queue.SimpleQueue[Settled | str | None]) -> None:
    """Hand on replies; None at the end of the process."""
    with contextlib.suppress(OSError, ValueError, TypeError):
        for line in process.stdout or ():
            told = json.loads(line)
            replies.put(told if isinstance(told, str) else Settled(**told))
    replies.put(None)


def _died(status: int) -> Failure:
    how = f"signal {-status}" if status < 0 else f"status {status}"
    return Failure(
        "process-died",
        f"The measuring process ended in the middle of this scan ({how}).",
        "Look at this scan with `ongrowth check`; with signal 9 the machine may have run out of memory.",
    )


def _memory_mb(pid: int) -> float:
    import psutil

    try:
        return float(psutil.Process(pid).memory_info().rss) / _MIB
    except psutil.Error:
        return 0.0


def serve() -> None:
    """Measure what comes in on stdin until it is closed; whatever else is printed goes to stderr."""
    inbox = sys.stdin.buffer
    outbox = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # who started us ends us
    parent, paths = pickle.load(inbox)
    sys.path[:] = paths
    threading.Thread(target=_end_with, args=(parent,), daemon=True).start()
    _prefer_to_be_killed()
    _send(_READY, outbox)
    while True:
        try:
            task: Any = pickle.load(inbox)
        except EOFError:
            return
        _send(settle(task), outbox)


def _send(reply: Settled | str, outbox: BinaryIO) -> None:
    told = reply if isinstance(reply, str) else dataclasses.asdict(reply)
    outbox.write(json.dumps(told).encode() + b"\n")
    outbox.flush()


def _end_with(parent: int) -> None:
    """End this process when the one that started it is gone, even in the middle of a scan."""
    while os.getppid() == parent:
        time.sleep(0.5)
    os._exit(1)


def _prefer_to_be_killed() -> None:
    """Where memory runs out, let the system end this process rather than a worker or the scheduler."""
    with contextlib.suppress(OSError):  # not on this system
        Path("/proc/self/oom_score_adj").write_text("1000", encoding="ascii")
