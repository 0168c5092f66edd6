"""The program of a worker process: takes tasks from standard input, gives outcomes to its output.

It ends with the process that started it, however that one ends.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
import sys
from queue import SimpleQueue
from threading import Thread
from typing import BinaryIO

from meniscal_measure.cohort.task import Task, carry_out

READY = "ready"
"""Sent once, before the first outcome: the time of a task is counted from here at the earliest."""


def main() -> None:
    """Carry out tasks until there are no more to come."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the main process
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a decoder prints must not get among the answers
    sys.path[:] = pickle.load(sys.stdin.buffer)
    measure = pickle.load(sys.stdin.buffer)
    tasks: SimpleQueue[Task] = SimpleQueue()
    Thread(target=_receive, args=(tasks,), daemon=True).start()
    _answer(READY, answers)
    _answer(carry_out(tasks.get(), measure), answers)
    gc.freeze()  # what was loaded for the first knee stays, and is not searched for garbage again
    while True:
        _answer(carry_out(tasks.get(), measure), answers)


def _receive(tasks: SimpleQueue[Task]) -> None:
    try:
        while True:
            tasks.put(pickle.load(sys.stdin.buffer))
    finally:
        os._exit(0)  # even in the middle of a knee: nobody is waiting for it


def _answer(answer: object, answers: BinaryIO) -> None:
    pickle.dump(answer, answers)
    answers.flush()


if __name__ == "__main__":
    main()
