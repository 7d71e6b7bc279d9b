"""A Dask cluster of real processes for tests."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys


class Processes:
    """A scheduler on loopback and its workers, each a process of its own."""

    def __init__(self, workers: int = 3, threads: int = 1) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = probe.getsockname()[1]
        self.address = f"tcp://127.0.0.1:{self.port}"
        self.scheduler = self._start(
            "scheduler", "--host", "127.0.0.1", "--port", str(self.port), "--no-dashboard"
        )
        self.workers = [self._worker(threads) for _ in range(workers)]

    def _worker(self, threads: int) -> subprocess.Popen[bytes]:
        return self._start(
            "worker",
            self.address,
            "--nthreads",
            str(threads),
            "--no-nanny",
            "--no-dashboard",
            "--host",
            "127.0.0.1",
        )

    @staticmethod
    def _start(*words: str) -> subprocess.Popen[bytes]:
        command = [sys.executable, "-m", "distributed.cli.dask_" + words[0], *words[1:]]
        return subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
        )

    def stop(self) -> None:
        """Ends all of them."""
        for process in (*self.workers, self.scheduler):
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()
