"""Calls a function in a process of its own, whose memory, processor time and output are bounded, and which may die.

Native libraries that read foreign files may end their process, or never end. The function is called by its name with
plain data and returns plain data; what is large it leaves in files.
"""

import errno
import faulthandler
import importlib
import json
import os
import resource
import signal
import subprocess
import sys
import tempfile
import traceback
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from nightbay.core.errors import Rejected
from nightbay.core.paths import SCRIPTS

WAITS = 10  # times its processor time that a process may wait, for a slow disk or for other processes
LOG_BYTES = 20_000  # of the end of what a process printed
# What allocators of C++, Rust and OpenBLAS print before they end a process.
OUT_OF_MEMORY = ("bad_alloc", "memory allocation of", "Memory allocation still failed")

Cause = Literal["memory", "time", "output", "signal", "fault"]


@dataclass(frozen=True)
class Bounds:
    """What a process may use: ``memory`` of its own (files that it maps do not count) and ``output`` of each file that
    it writes, bytes; ``cpu_s``: processor time. Where the system does not know a bound, it does not hold."""

    memory: int
    output: int
    cpu_s: int


class Died(Exception):
    """The process came to no result; ``cause``, and ``detail``: its signal or its exception."""

    def __init__(self, cause: Cause, detail: str) -> None:
        super().__init__(f"{cause}: {detail}")
        self.cause, self.detail = cause, detail


def call(function: str, arguments: Mapping[str, Any], bounds: Bounds) -> Any:
    """What ``function``, ``"package.module:name"``, returns for keyword ``arguments``; both are plain data for JSON.

    What the process printed goes to standard output, its end where it is long. Raises :class:`Rejected` and
    :class:`OSError` as the function does, and :class:`Died`.
    """
    request = json.dumps({"function": function, "arguments": dict(arguments), "bounds": asdict(bounds)})
    environment = os.environ | {"PYTHONPATH": str(SCRIPTS), "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    with tempfile.TemporaryDirectory(prefix="nightbay-") as folder:
        answer, log = Path(folder, "answer"), Path(folder, "log")
        with open(log, "wb") as file:
            process = subprocess.Popen(
                [sys.executable, "-P", "-m", "nightbay.core.child_process", str(answer)],
                stdin=subprocess.PIPE,
                stdout=file,
                stderr=file,
                env=environment,
            )
            try:
                process.communicate(request.encode(), bounds.cpu_s * WAITS)
            except subprocess.TimeoutExpired:
                raise Died("time", "timeout") from None
            finally:
                process.kill()
                process.wait()
        printed = _end(log)
        print(printed, end="", flush=True)
        return _result(process.returncode, answer, printed)


def _result(code: int, answer: Path, printed: str) -> Any:
    if code == 0:
        kind, value = json.loads(answer.read_text(encoding="utf-8"))
        if kind == "value":
            return value
        if kind == "rejected":
            raise Rejected(value)
        if kind == "os":
            raise OSError(*value)
        raise Died(kind, value)
    if code == -signal.SIGXCPU:
        raise Died("time", "SIGXCPU")
    if any(words in printed for words in OUT_OF_MEMORY):
        raise Died("memory", OUT_OF_MEMORY[0])
    name = signal.Signals(-code).name if -code in list(signal.Signals) else f"exit code {code}"
    raise Died("signal", name)


def _end(log: Path) -> str:
    """The end of a file, as text."""
    with open(log, "rb") as file:
        file.seek(max(0, file.seek(0, os.SEEK_END) - LOG_BYTES))
        return file.read().decode("utf-8", "replace")


def _limit(kind: int, value: int) -> None:
    """Bound what this process may use, as far as the system knows that bound and has not set a lower one."""
    _, hard = resource.getrlimit(kind)
    value = value if hard == resource.RLIM_INFINITY else min(value, hard)
    with suppress(OSError, ValueError):
        resource.setrlimit(kind, (value, hard))


def _answer(request: Mapping[str, Any]) -> tuple[str, Any]:
    """The kind of answer to a request, and the answer."""
    module, _, name = request["function"].partition(":")
    bounds = Bounds(**request["bounds"])
    _limit(resource.RLIMIT_CORE, 0)
    _limit(resource.RLIMIT_DATA, bounds.memory)
    _limit(resource.RLIMIT_FSIZE, bounds.output)
    _limit(resource.RLIMIT_CPU, bounds.cpu_s)
    try:
        return "value", getattr(importlib.import_module(module), name)(**request["arguments"])
    except Rejected as rejection:
        return "rejected", str(rejection)
    except MemoryError as error:
        traceback.print_exc()
        return "memory", str(error)
    except OSError as error:
        traceback.print_exc()
        if error.errno == errno.EFBIG:
            return "output", str(error)
        return "os", [error.errno, error.strerror, error.filename]
    except Exception as error:
        traceback.print_exc()
        return "fault", f"{type(error).__name__}: {error}"


def _main(answer: str) -> None:
    faulthandler.enable()
    text = json.dumps(_answer(json.load(sys.stdin)))
    Path(answer).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    _main(sys.argv[1])
