"""The SLURM jobs of a day, on stand-ins for SLURM's commands that keep their jobs in a file."""

import os
import subprocess
from pathlib import Path

import pytest

from nightbay.core.errors import Rejected
from nightbay.core.paths import SCRIPTS
from nightbay.planning import cluster

SQUEUE = '#!/bin/sh\ncat "$QUEUE"\n'
SCANCEL = '#!/bin/sh\nshift\nfor job; do sed -i "/^$job /d" "$QUEUE"; done\n'
NOTHING = "#!/bin/sh\n"


@pytest.fixture
def slurm(tmp_path, monkeypatch):
    """Puts stand-ins on PATH and returns the file with the queue, a line "number name" a job."""
    queue, folder = tmp_path / "queue", tmp_path / "bin"
    folder.mkdir()
    queue.touch()
    for name, text in {"sbatch": NOTHING, "sacct": NOTHING, "squeue": SQUEUE, "scancel": SCANCEL}.items():
        (folder / name).write_text(text)
        (folder / name).chmod(0o755)
    monkeypatch.setenv("PATH", f"{folder}:{os.environ['PATH']}")
    monkeypatch.setenv("QUEUE", str(queue))
    monkeypatch.setattr(cluster, "POLL_S", 0.01)
    return queue


def test_the_name_is_that_of_the_folder_however_it_is_written(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    name = cluster.job_name(tmp_path / "day")
    assert name == cluster.job_name(Path("day")) == cluster.job_name(tmp_path / "x" / ".." / "day")
    assert name != cluster.job_name(tmp_path / "day2")
    assert all(letter.isalnum() or letter == "-" for letter in name)  # what the executor plugin accepts
    assert len(name) <= 50


def test_jobs_of_the_day_are_cancelled_and_no_others(tmp_path, slurm):
    name = cluster.job_name(tmp_path / "day")
    others = f"9 {cluster.job_name(tmp_path / 'day2')}_x\n10 {name[:-1]}\n11 x{name}\n"
    slurm.write_text(f"7 {name}_a\n{others}17 {name}_b\n")
    assert cluster.cancel(tmp_path / "day", 1) == 2
    assert slurm.read_text() == others


def test_without_jobs_nothing_is_cancelled(tmp_path, slurm):
    assert cluster.cancel(tmp_path / "day", 1) == 0


def test_a_job_that_stays_is_refused(tmp_path, slurm):
    (tmp_path / "bin" / "scancel").write_text(NOTHING)
    slurm.write_text(f"7 {cluster.job_name(tmp_path)}_a\n")
    with pytest.raises(Rejected, match="SLURM job 7 of an earlier night still works on .* can't be cancelled"):
        cluster.cancel(tmp_path, 0.05)
    assert cluster.cancel(tmp_path) == 1  # a night that is ended does not wait


def test_slurm_that_does_not_answer_is_reported(tmp_path, slurm):
    (tmp_path / "bin" / "squeue").write_text("#!/bin/sh\necho squeue: error: no controller >&2\nexit 1\n")
    with pytest.raises(Rejected, match=r"SLURM does not answer squeue \(squeue: error: no controller\): try again"):
        cluster.cancel(tmp_path, 1)


def test_a_machine_without_slurm_is_reported(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(SystemExit) as ended:
        cluster.main(["cancel", str(tmp_path)])
    assert "SLURM's sbatch is not on PATH here: start its night on a login node" in str(ended.value)


def as_snakemake(*command):
    """A command of SLURM as Snakemake calls it in a night."""
    environment = {**os.environ, "PATH": f"{SCRIPTS.parent / 'profiles' / 'slurm' / 'bin'}:{os.environ['PATH']}"}
    return subprocess.run(command, env=environment, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("code", [0, 1])
def test_snakemake_reads_of_a_cancelled_job_that_it_is_cancelled(tmp_path, slurm, code):
    """The plugin compares whole words; `sacct` of SLURM 22.05 printed this for a job that root had cancelled."""
    states = "1|CANCELLED by 0\n2|COMPLETED\n3|NODE_FAIL\n"
    (tmp_path / "bin" / "sacct").write_text(f"#!/bin/sh\n[ $# -eq 2 ] && printf '{states}'\nexit {code}\n")
    done = as_snakemake("sacct", "-X", "--format=JobIdRaw,State")
    assert (done.stdout, done.returncode) == ("1|CANCELLED\n2|COMPLETED\n3|NODE_FAIL\n", code)


@pytest.mark.parametrize(("nodes", "read"), [("None assigned  ", ""), ("node1  ", "node1  ")])
def test_snakemake_excludes_no_node_of_a_job_that_waits_again(tmp_path, slurm, nodes, read):
    """The plugin excludes what is printed; `sacct` of SLURM 22.05 printed the first for a job whose node had failed."""
    (tmp_path / "bin" / "sacct").write_text(f"#!/bin/sh\necho '{nodes}'\n")
    assert as_snakemake("sacct", "-j", "15", "-n", "-X", "-o", "nodelist%-256").stdout == f"{read}\n"


def test_snakemake_s_own_memory_is_added_to_that_of_a_stage(tmp_path, slurm):
    (tmp_path / "bin" / "sbatch").write_text('#!/bin/sh\nprintf "%s|" "$@"\nexit 3\n')
    done = as_snakemake("sbatch", "--parsable", "-t", "240", "--mem", "600", "--wrap=python -m x --mem 7 'a b'")
    assert done.stdout == "--parsable|-t|240|--mem|1000|--wrap=python -m x --mem 7 'a b'|"
    assert done.returncode == 3
