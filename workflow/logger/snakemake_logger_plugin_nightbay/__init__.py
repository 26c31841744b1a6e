"""Writes what happens in a night as lines of JSON, which ``nightbay.planning.night`` shows on the terminal.

Snakemake finds this package by its name on the module path, hands it its own events beside its text log, and closes it
at the end: ``snakemake --logger nightbay --logger-nightbay-events FILE``.

It also sees to it that Snakemake does not outlive the guard of its night: where every process of that was killed,
nobody else is left to end the stages.
"""

import json
import os
import threading
from dataclasses import dataclass, field
from datetime import datetime
from logging import LogRecord
from pathlib import Path

from snakemake_interface_logger_plugins.base import LogHandlerBase
from snakemake_interface_logger_plugins.settings import LogHandlerSettingsBase

from nightbay.pipeline import process_tree

# What is kept of each event. Snakemake calls the number of a job jobid in two of them, and job_id in the third.
KEPT = {
    "job_info": ("jobid", "rule_name", "wildcards", "reason"),
    "job_finished": ("job_id",),
    "job_error": ("jobid", "rule_name", "log"),
    "progress": ("done", "total"),
    "error": ("exception",),
}


@dataclass
class LogHandlerSettings(LogHandlerSettingsBase):
    """Options of the command line."""

    events: Path | None = field(
        default=None,
        metadata={"help": "File to write the events to, a line of JSON each.", "required": True, "type": Path},
    )


class LogHandler(LogHandlerBase):
    """Writes each event of :data:`KEPT` to the file; Snakemake calls it from one thread."""

    # No file of Snakemake's own text: its log is written as it is without this handler.
    writes_to_stream = False
    writes_to_file = False
    has_filter = True
    has_formatter = True
    needs_rulegraph = False

    def __post_init__(self) -> None:
        # Appended to, because the night run adds a line where it is stopped.
        self.events = open(self.settings.events, "a", encoding="utf-8", buffering=1)  # noqa: SIM115 (closed in close)
        if guard := os.environ.get("NIGHTBAY_GUARD"):
            threading.Thread(target=self._end_with, args=(int(guard),), daemon=True).start()

    def _end_with(self, guard: int) -> None:
        """Wait for the end of the pipe ``guard``, which the guard's processes hold open, then end Snakemake with all
        that it has started."""
        os.read(guard, 1)
        self.events.write('{"event": "stopped"}\n')  # what has no end was ended, and did not fail
        snakemake = os.getpid()
        if os.fork() == 0:  # for Snakemake is stopped first, so that it starts nothing meanwhile
            process_tree.end_from(snakemake)
            os._exit(0)

    def emit(self, record: LogRecord) -> None:
        """Write the event, if it is one that is kept."""
        event = str(getattr(record, "event", ""))
        if event in KEPT:
            facts = {key: getattr(record, key, None) for key in KEPT[event]}
            if event == "job_error":
                # Stages that share a cluster job all get the error of one: those done before it have their output.
                if record.output and all(Path(path).exists() for path in record.output):
                    return
                facts["log"] = [path for path in record.log if Path(path).is_file()]
            time = datetime.fromtimestamp(record.created).astimezone().isoformat(timespec="seconds")
            self.events.write(json.dumps({"event": event, "time": time, **facts}, default=str) + "\n")

    def close(self) -> None:
        """Close the file."""
        self.events.close()
        super().close()
