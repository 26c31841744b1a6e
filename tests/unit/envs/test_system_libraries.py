"""Bringing system libraries into an environment: by stand-ins for apt, into an environment of one small module."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import libusb_package
import pytest

from stand_ins import make_tool

ENVS = Path(__file__).parents[3] / "envs"
NAME = "libnee-1.0.so.0"  # as long as libusb-1.0.so.0, whose library stands in under this name


class Environment:
    """A small environment with a module ``needy`` that opens a library of the system by its name."""

    def __init__(self, folder):
        self.folder, self.tools = folder, folder / "tools"
        self.tools.mkdir()
        for tool in ("ldd", "bash", "cat", "cp", "mkdir", "sed", "touch", "ln", "cut"):
            (self.tools / tool).symlink_to(shutil.which(tool))
        subprocess.run([sys._base_executable, "-m", "venv", "--without-pip", folder / "venv"], check=True)
        self.python = folder / "venv/bin/python"
        self.site = next((folder / "venv").glob("lib/python*/site-packages"))
        (self.site / "needy.py").write_text(f"import ctypes\nctypes.CDLL('{NAME}')\n")
        self.library = folder / "library"
        name = b"libusb-1.0.so.0"
        self.library.write_bytes(Path(libusb_package.get_library_path()).read_bytes().replace(name, NAME.encode()))

    def run(self, *command):
        return subprocess.run(
            [str(self.python), *command], capture_output=True, text=True, env={**os.environ, "PATH": str(self.tools)}
        )

    def bring(self, *modules):
        return self.run(str(ENVS / "system_libraries.py"), *modules)

    def apt(self, install):
        """Stand-ins for apt and dpkg: ``install`` is what a download does; "packages" are folders' archives."""
        status = self.folder / "status"
        status.write_text("Package: libglx-mesa0\nStatus: install ok installed\n")
        make_tool(self.tools, "apt-config", f"echo \"STATUS='{status}'\"")
        make_tool(self.tools, "dpkg", "echo amd64")
        make_tool(
            self.tools,
            "apt-get",
            f"""echo "$*" | cut -d ' ' -f 3- >>{self.folder}/calls
            cache=$(sed -n 's/^Dir::Cache "\\(.*\\)";/\\1/p' "$2")
            case "$*" in *" install "*) {install} ;; esac""",
        )
        # A library lies under its full version, and under the name that others ask for.
        make_tool(
            self.tools,
            "dpkg-deb",
            f"""to="$3/usr/lib/x86_64-linux-gnu"; mkdir -p "$to/driver"
            cp {self.library} "$to/{NAME}.7"; ln -s {NAME}.7 "$to/{NAME}"; cp {self.library} "$to/driver/libdriver.so.1"
            """,
        )

    def brought(self):
        return sorted(file.name for file in self.site.glob("nightbay_libraries/*.so*"))


@pytest.fixture
def environment(tmp_path):
    return Environment(tmp_path)


def test_nothing_is_fetched_where_nothing_is_lacking(environment):
    environment.apt("exit 1")
    done = environment.bring("json", "ctypes")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    assert not (environment.folder / "calls").exists()
    assert not list(environment.site.glob("nightbay_libraries*"))


def test_a_lacking_library_is_fetched_for_every_interpreter(environment):
    assert environment.run("-c", "import needy").returncode == 1
    environment.apt('touch "$cache/archives/libnee.deb"')
    done = environment.bring("json", "needy")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == (f"Nightbay: system libraries that this machine lacks, put into the environment: {NAME}\n")
    assert (environment.folder / "calls").read_text().splitlines() == [
        "--yes update",
        "--yes install --download-only --no-install-recommends --no-remove libnee-1.0-0",
    ]
    assert environment.brought() == [NAME]
    for command in (["-c", "import needy"], ["-m", "needy"], ["-I", "-c", "import needy"]):
        assert environment.run(*command).returncode == 0
    assert environment.bring("needy").stdout == ""


def test_the_environment_says_no_more_to_its_children(environment):
    environment.apt('touch "$cache/archives/libnee.deb"')
    environment.bring("needy")
    child = "import os, subprocess; print(sorted(os.environ) == sorted(eval(os.environ['BEFORE']) + ['BEFORE']))"
    before = {**os.environ, "PATH": str(environment.tools)}
    done = subprocess.run(
        [environment.python, "-c", child],
        env={**before, "BEFORE": repr(sorted(before))},
        capture_output=True,
        text=True,
    )
    assert done.stdout == "True\n"


def test_a_library_of_the_system_goes_before_one_that_was_brought(environment, tmp_path):
    environment.apt('touch "$cache/archives/libnee.deb"')
    environment.bring("needy")
    system = tmp_path / "system"
    system.mkdir()
    shutil.copy(environment.library, system / NAME)
    done = subprocess.run(
        [environment.python, "-c", "import needy; print(open('/proc/self/maps').read())"],
        env={**os.environ, "LD_LIBRARY_PATH": str(system)},
        capture_output=True,
        text=True,
    )
    assert str(system / NAME) in done.stdout
    assert "nightbay_libraries" not in done.stdout


@pytest.mark.parametrize(
    "tool, command",
    [
        ("dnf", f"run `dnf install '{NAME}()(64bit)'` as root"),
        ("zypper", f"run `zypper install '{NAME}()(64bit)'` as root"),
        ("pacman", "run `pacman -S libnee-1.0` as root"),
        (None, "install the packages that hold them"),
    ],
)
def test_without_apt_a_sentence_says_what_to_install(environment, tool, command):
    if tool:
        make_tool(environment.tools, tool, "exit 1")
    done = environment.bring("needy")
    assert done.returncode == 1
    assert done.stderr == (
        f"The packages need system libraries that this machine lacks ({NAME}), and there is no apt to fetch them with: "
        f"{command} and start again.\n"
    )


def test_an_apt_that_can_not_fetch_is_quoted(environment):
    environment.apt("echo 'E: Unable to locate package libnee-1.0-0' >&2; exit 100")
    done = environment.bring("needy")
    assert done.returncode == 1
    assert done.stderr == (
        f"The packages need system libraries that this machine lacks ({NAME}), and apt can't fetch them "
        "(Unable to locate package libnee-1.0-0): run `apt-get install libnee-1.0-0` as root and start again.\n"
    )


def test_libraries_that_do_not_help_are_named_and_not_fetched_for_ever(environment):
    environment.apt("true")
    done = environment.bring("needy")
    assert done.returncode == 1
    assert "they were brought and are not found: run `apt-get install libnee-1.0-0` as root" in done.stderr
    assert len((environment.folder / "calls").read_text().splitlines()) == 2  # lists, and one download


def test_an_import_that_fails_otherwise_is_named(environment):
    (environment.site / "broken.py").write_text("raise ImportError('version GLIBCXX_9 not found')\n")
    done = environment.bring("broken")
    assert done.returncode == 1
    assert done.stderr == "broken can't be imported on this machine: ImportError: version GLIBCXX_9 not found\n"


def test_debian_names_its_packages_after_the_libraries(monkeypatch):
    # Names: package lists of Debian 12 and 13.
    monkeypatch.syspath_prepend(ENVS)
    from system_libraries import debian_package

    packages = {
        **{"libGL.so.1": "libgl1", "libEGL.so.1": "libegl1", "libOpenGL.so.0": "libopengl0", "libX11.so.6": "libx11-6"},
        **{"libxcb.so.1": "libxcb1", "libfreetype.so.6": "libfreetype6", "libfontconfig.so.1": "libfontconfig1"},
        **{"libusb-1.0.so.0": "libusb-1.0-0", "libstdc++.so.6": "libstdc++6", "libidn2.so.0": "libidn2-0"},
        **{"libcom_err.so.2": "libcom-err2", "libgomp.so.1": "libgomp1", "libp11-kit.so.0": "libp11-kit0"},
    }
    assert {library: debian_package(library) for library in packages} == packages


def test_a_library_that_a_process_has_loaded_is_brought_again(environment):
    """The second time the set-up itself runs with what the first one brought."""
    name = "libusb-1.0.so.0"
    (environment.site / "broken.py").write_text(f"raise ImportError('{name}: cannot open shared object file')\n")
    (environment.site / "libusb_package.py").write_text(
        f"def get_library_path():\n    return {libusb_package.get_library_path()!r}\n".replace("PosixPath", "")
    )
    for _ in range(2):
        done = environment.bring("broken")
        assert done.returncode == 1
        assert done.stderr.startswith(f"The packages need system libraries that this machine lacks ({name}), and they ")
        assert environment.brought() == [name]
