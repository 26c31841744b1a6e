"""What becomes of damaged files: each is read in a forked process with bounds, whose end is an outcome too."""

import json
import os
import random
import resource
import shutil
import signal
import socket
import time
import traceback
import warnings
import zlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path

import mutants
from nightbay.core.errors import Rejected
from nightbay.intake import intake, raw_store
from nightbay.matching import targets
from nightbay.pipeline.settings import settings
from nightbay.planning import board_plan, day, parameters, yaml_file
from nightbay.planning.raw_files import Hashes
from nightbay.readers import bounded, mesh_file
from nightbay.release import sampling
from nightbay.report import board

DEFAULTS = yaml_file.read(parameters.CLASSES.parent / "config.yaml", "config.yaml")
VAN = {"length": [3900, 7700], "width": [1600, 2300], "height": [1700, 3200]}
CPU_S = 20  # of a mutant; a sound file takes a tenth of a second
LONGEST_SENTENCE = 1500


@dataclass(frozen=True)
class Outcome:
    """How it ended: ``accepted``, ``refused``, ``lost``, ``crash``, ``hang`` or ``blowup``; the sentence or cause."""

    name: str
    seed: int
    end: str
    said: str
    noticeable: bool


class LostDay(Exception):
    """A day without a plan, or without a board that has all its jobs."""


class BadSentence(Exception):
    """A refusal that people can't use."""


def read_export(mutant: mutants.Mutant, folder: Path) -> None:
    """Read an export as the night does, as far as the working cloud, and a sample of it as the release check does."""
    path = folder / mutant.name
    path.write_bytes(mutant.content)
    sheet = {"file": mutant.name, "sha256": "", "bytes": len(mutant.content), "units": "mm", "columns": None}
    sheet |= {"part": "exterior", "vehicle_class": "van", "extent_mm": VAN}
    made = folder / "made"
    if path.suffix in mesh_file.FORMATS:
        _empty(made)
        with _memory(_allowed(mutant)), suppress(Rejected):
            mesh_file.leave(str(path), mutant.name, str(made))
    for sampled in (True, False):
        _empty(made)
        try:
            with _memory(_allowed(mutant)):
                if sampled:
                    values = sampling.read_here(str(path), mutant.name, None, "mm", 500, str(made))[0]
                else:
                    values = raw_store.read_here(str(path), mutant.name, None, "mm", str(made))
            if not sampled:
                own = settings({section: DEFAULTS[section] for section in ("scan", "intake")})
                intake.working_cloud(raw_store.from_plain(values, made), sheet, own, made)
        except Rejected as rejection:
            check_sentence(str(rejection), mutant.name)
            if not sampled:
                raise


def _allowed(mutant: mutants.Mutant) -> int:
    """Memory that the reading of a file may take, without what Python and the libraries take, bytes."""
    return bounded.bounds(len(mutant.content)).memory - bounded.MEMORY // 2


def read_targets(mutant: mutants.Mutant, folder: Path) -> None:
    """Read a list of targets."""
    (folder / mutant.name).write_bytes(mutant.content)
    try:
        targets.read({"file": mutant.name, **Hashes(folder).of(mutant.name), "units": "mm", "columns": None}, folder)
    except Rejected as rejection:
        check_sentence(str(rejection), mutant.name)
        raise


def read_sheet(mutant: mutants.Mutant, folder: Path) -> None:
    """Plan a day of one job, whose sheet this is."""
    raw = folder / "job" / "raw"
    raw.mkdir(parents=True, exist_ok=True)
    for name in ("left.ply", "right.xyz", "cabin.e57", "control.csv", "left.targets.csv"):
        (raw / name).write_text(name)
    (folder / "job" / "job.yaml").write_bytes(mutant.content)
    plan_day(folder)


def plan_day(folder: Path) -> None:
    """Plan a day and everything that its rules will ask for; a job that is refused is :class:`Rejected`."""
    check_plan(day.plan(folder, DEFAULTS))


def check_plan(plan: day.Plan) -> None:
    """What the rules will ask for of a plan; a job that is refused is :class:`Rejected`."""
    if plan.tracebacks:
        raise RuntimeError(plan.tracebacks[0])
    for name, planned in plan.jobs.items():
        json.dumps([planned.document, planned.sheet("report"), planned.settings("reduce", None)]).encode()
        for part, segments in planned.segments().items():
            for segment in segments:
                sheet = planned.sheet("intake", part=part, segment=segment)
                if sheet["unreadable"]:
                    check_sentence(sheet["unreadable"], name)
    sentences = [*plan.notes, *(text for texts in plan.refused.values() for text in texts)]
    for sentence in sentences:
        check_sentence(sentence, "")
    if plan.refused:
        raise Rejected(sentences[-1])


def read_tree(mutant: mutants.Mutant, folder: Path) -> None:
    """Plan a day of random files and make its board; of the mutant only its content counts, as a seed."""
    own = folder / "day"
    shutil.rmtree(own, ignore_errors=True)
    own.mkdir()
    tree(zlib.crc32(mutant.content), own)
    check_plan(with_board(own))


def with_board(folder: Path) -> day.Plan:
    """The plan of a day whose board has a row for each of its jobs; raises :class:`LostDay`."""
    try:
        plan = day.plan(folder, DEFAULTS)
        board.make(folder, board_plan.board_plan(plan, folder))
        rows = json.loads((folder / board.JSON).read_text(encoding="utf-8"))["result"]["jobs"]
        shown = {row["job"] for row in rows}
    except Exception as error:
        raise LostDay(f"{type(error).__name__}: {error}") from error
    missing = {*plan.jobs, *plan.refused} - shown
    if missing or not (folder / board.PAGE).stat().st_size:
        raise LostDay(f"no row of {sorted(missing)}")
    return plan


def check_sentence(sentence: str, name: str) -> None:
    """Raise :class:`BadSentence` for what is no sentence on a file, or can't be shown."""
    if not sentence.startswith(name) or not sentence.endswith(".") or len(sentence) > LONGEST_SENTENCE:
        raise BadSentence(sentence)
    sentence.encode()
    if not sentence.replace("\u202f", "").isprintable():
        raise BadSentence(ascii(sentence))


class _memory:
    """Bounds what this process takes beyond what it has, bytes, within the block."""

    def __init__(self, most: int) -> None:
        self.most = most

    def __enter__(self) -> None:
        text = Path("/proc/self/status").read_text()
        held = int(text.split("VmData:")[1].split()[0]) * 1024
        resource.setrlimit(resource.RLIMIT_DATA, (held + self.most, resource.RLIM_INFINITY))

    def __exit__(self, *_: object) -> None:
        resource.setrlimit(resource.RLIMIT_DATA, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))


def _empty(folder: Path) -> None:
    folder.mkdir(exist_ok=True)
    for path in folder.iterdir():
        if path.is_file():
            path.unlink()


Read = Callable[[mutants.Mutant, Path], None]


def outcomes(samples: Iterable[mutants.Sample], seeds: Iterable[int], read: Read, folder: Path) -> Iterator[Outcome]:
    """The outcome of each mutant of the samples, read below ``folder`` in forked processes."""
    todo = [(sample, seed) for seed in seeds for sample in samples]
    while todo:
        done = 0
        for outcome in _in_fork(todo, read, folder):
            done += 1
            yield outcome
        todo = todo[done:]


def _in_fork(todo: list[tuple[mutants.Sample, int]], read: Read, folder: Path) -> Iterator[Outcome]:
    """Outcomes from one process until it has read all or died; its death is the last of them."""
    parent, child = socket.socketpair()
    number = os.fork()
    if number == 0:
        parent.close()
        _work(todo, read, folder, child)
    child.close()
    count = 0
    with parent, parent.makefile("r", encoding="utf-8") as answers:
        for line in answers:
            count += 1
            yield Outcome(**json.loads(line))
    _, status = os.waitpid(number, 0)
    if count < len(todo):
        sample, seed = todo[count]
        name = signal.Signals(os.WTERMSIG(status)).name if os.WIFSIGNALED(status) else f"exit {status}"
        end = "hang" if name == "SIGXCPU" else "crash"
        yield Outcome(sample.name, seed, end, name, mutants.mutant(sample, seed).noticeable)


def _work(todo: list[tuple[mutants.Sample, int]], read: Read, folder: Path, answers: socket.socket) -> None:
    try:
        silent = os.open(os.devnull, os.O_WRONLY)
        os.dup2(silent, 1)
        os.dup2(silent, 2)
        warnings.simplefilter("error")  # a number that became another without a word
        for sample, seed in todo:
            mutant = mutants.mutant(sample, seed)
            used = time.process_time()
            resource.setrlimit(resource.RLIMIT_CPU, (int(used) + CPU_S, resource.RLIM_INFINITY))
            end, said = _end(mutant, read, folder)
            answers.sendall(
                (json.dumps(asdict(Outcome(sample.name, seed, end, said, mutant.noticeable))) + "\n").encode()
            )
    finally:
        os._exit(0)


def _end(mutant: mutants.Mutant, read: Read, folder: Path) -> tuple[str, str]:
    try:
        read(mutant, folder)
    except Rejected as rejection:
        return "refused", str(rejection)
    except LostDay as lost:
        return "lost", str(lost)
    except MemoryError as error:
        return "blowup", repr(error)
    except BaseException:
        return "crash", traceback.format_exc()[-1500:]
    return "accepted", ""


def tree(seed: int, folder: Path) -> None:
    """A day of random files, folders, links, pipes and job sheets with names that people do not expect."""
    rng = random.Random(seed)
    names = ("job", "raw", "job.yaml", "left.ply", "a.targets.csv", "control.csv", "\u202e", "a b", "x" * 250, ".x")
    places = [folder]
    for _ in range(rng.randrange(2, 14)):
        parent, name = rng.choice(places), rng.choice(names)
        path = parent / name
        if os.path.lexists(path) or len(path.parts) > len(folder.parts) + 5:
            continue
        match rng.randrange(7):
            case 0 | 1 | 2:
                path.mkdir()
                places.append(path)
            case 3:
                path.write_text(rng.choice(("", "x", "vehicle_class: van\nunits: mm\n")))
            case 4:
                path.symlink_to(rng.choice((folder, "/etc/hostname", "missing", path, "/dev/zero")))
            case 5:
                os.mkfifo(path)
            case 6:
                path.write_text("vehicle_class: van\nunits: mm\n")
