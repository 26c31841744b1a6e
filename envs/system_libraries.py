"""Brings the system libraries that the environment's packages need and this machine lacks into the environment.

envs/setup.sh runs it with the environment's Python, without root. It tries the imports. What they lack comes from the
environment's own packages or from apt, and every interpreter of the environment loads it (``preload.py``). Where apt is
missing, one sentence says which packages to install.
"""

import contextlib
import ctypes
import importlib.machinery
import importlib.util
import os
import re
import shlex
import shutil
import subprocess
import sys
import sysconfig
import tempfile
from pathlib import Path

# Packages of the lock with native code of their own, as Nightbay and its tests import them.
MODULES = ["open3d", "pymeshlab", "numba", "scipy.spatial", "scipy.sparse.linalg", "matplotlib.pyplot", "PIL.Image"]
MODULES += ["pye57", "lazrs", "pyceres", "yaml"]

# libGL, libEGL and libGLX pass what is drawn on to a driver. Nightbay draws nothing by them: apt is told that their
# drivers, which take twenty times the room, are installed.
DRIVERS = ("libglx-mesa0", "libegl-mesa0")

# Where the package is not named after the library. Arch's names: value from memory.
ARCH = {
    **dict.fromkeys(("libGL", "libEGL", "libOpenGL", "libGLX", "libGLdispatch"), "libglvnd"),
    **dict.fromkeys(("libstdc++", "libgcc_s", "libgomp"), "gcc-libs"),
    **{"libfreetype": "freetype2", "libfontconfig": "fontconfig", "libusb-1.0": "libusb", "libudev": "systemd-libs"},
}


class Lacking(Exception):
    """One sentence: what the machine lacks, and what to do."""


def run(*command):
    """The finished process of ``command``, its output as text in plain English."""
    return subprocess.run(command, capture_output=True, text=True, errors="replace", env={**os.environ, "LC_ALL": "C"})


def lacking(module):
    """The libraries, such as libGL.so.1, for lack of which ``module`` can't be imported, or a plugin of it not loaded.

    PyMeshLab is imported without such a plugin, and can't read meshes then.
    """
    done = run(sys.executable, "-c", f"import {module}")
    names = set(re.findall(r"(lib\S+\.so[.\d]*): cannot open shared object file", done.stdout + done.stderr))
    if names:
        # The import names the first one only; the loader names all that the module and its plugins need.
        soabi = sysconfig.get_config_var("SOABI")
        for folder in importlib.util.find_spec(module.split(".")[0]).submodule_search_locations or ():
            files = [file for file in Path(folder).rglob("*.so") if soabi in file.name or file.parent.name == "plugins"]
            names |= set(re.findall(r"(\S+) => not found", run("ldd", *map(str, files)).stdout))
    elif done.returncode:
        reason = (done.stderr.strip().splitlines() or [f"it ended with {done.returncode}"])[-1]
        raise Lacking(f"{module} can't be imported on this machine: {reason}")
    return names


def debian_package(library):
    """The Debian package of ``library``, which is named after it: libgl1 of libGL.so.1, libx11-6 of libX11.so.6."""
    stem, version = library.lower().replace("_", "-").split(".so")
    version = version.strip(".")
    return f"{stem}-{version}" if stem[-1].isdigit() and version else stem + version


def advice(libraries):
    """What a technician types, as root, to install ``libraries``."""
    by_name = [shlex.quote(f"{library}()(64bit)") for library in libraries]  # RPM packages can be asked for by content
    arch = sorted({ARCH.get(stem, stem.lower()) for stem in (library.split(".so")[0] for library in libraries)})
    commands = {
        "apt-get": ("apt-get install", [debian_package(library) for library in libraries]),
        "dnf": ("dnf install", by_name),
        "zypper": ("zypper install", by_name),
        "pacman": ("pacman -S", arch),
    }
    for tool, (command, packages) in commands.items():
        if shutil.which(tool):
            return f"run `{' '.join([command, *packages])}` as root"
    return "install the packages that hold them"


def apt(work, *command):
    """Run apt-get ``command`` with lists, cache and hooks of its own below ``work``; its complaint, or None."""
    config = work / "apt.conf"
    if not config.exists():
        for folder in ("lists/partial", "cache/archives/partial"):
            (work / folder).mkdir(parents=True)
        found = run("apt-config", "shell", "STATUS", "Dir::State::status/f").stdout
        status = Path(shlex.split(found)[0].partition("=")[2]).read_text(encoding="utf-8", errors="surrogateescape")
        architecture = run("dpkg", "--print-architecture").stdout.strip()
        for driver in DRIVERS:
            if f"\nPackage: {driver}\n" not in status:
                status += f"\nPackage: {driver}\nStatus: install ok installed\nVersion: 99\n"
                status += f"Architecture: {architecture}\nMaintainer: none\nDescription: none\n"
        (work / "status").write_text(status, encoding="utf-8", errors="surrogateescape")
        config.write_text(
            f'Dir::State::Lists "{work}/lists";\nDir::State::status "{work}/status";\nDir::Cache "{work}/cache";\n'
            'Debug::NoLocking "true";\nAcquire::Languages "none";\nAPT::Sandbox::User "root";\n'
            "#clear APT::Update::Pre-Invoke;\n#clear APT::Update::Post-Invoke;\n"
            "#clear APT::Update::Post-Invoke-Success;\n"
        )
    done = run("apt-get", "--config-file", str(config), "--yes", *command)
    complaints = [line for line in done.stderr.splitlines() if line.startswith("E: ")]
    return (complaints or [f"E: apt-get ended with {done.returncode}"])[-1][3:] if done.returncode else None


def put(file, folder, name):
    """Copy ``file`` to ``name`` in ``folder``, whole or not at all: a process may have what lay there loaded."""
    shutil.copy(file, folder / "new")
    (folder / "new").replace(folder / name)


def fetch(libraries, folder, work):
    """Fetch ``libraries`` and what they need by apt, into ``folder``; why that failed, or None."""
    if not (shutil.which("apt-get") and shutil.which("dpkg-deb")):
        return "there is no apt to fetch them with"
    if not (work / "apt.conf").exists():
        apt(work, "update")  # some of the machine's sources may fail and others do: the next step tells
    packages = [debian_package(library) for library in libraries]
    complaint = apt(work, "install", "--download-only", "--no-install-recommends", "--no-remove", *packages)
    if complaint:
        return f"apt can't fetch them ({complaint.rstrip('.')})"
    for package in sorted((work / "cache" / "archives").glob("*.deb")):
        run("dpkg-deb", "-x", str(package), str(work / "files"))
    for file in (work / "files").rglob("lib*.so.*"):
        if "lib" not in (file.parent.name, file.parent.parent.name):
            continue  # a plugin
        if not file.is_symlink() and any(
            link.is_symlink() for link in file.parent.glob(f"{file.name.split('.so')[0]}.so.*")
        ):
            continue  # reached by the name that others ask for
        try:
            ctypes.CDLL(file.name)
        except OSError:
            put(file, folder, file.name)
    return None


def bring(modules, site):
    """Bring what ``modules`` lack into ``site``/nightbay_libraries. Raises ``Lacking``."""
    folder = site / "nightbay_libraries"
    asked = set()
    with tempfile.TemporaryDirectory(dir=sys.prefix) as work:
        while libraries := sorted(set().union(*map(lacking, modules))):
            failure = "they were brought and are not found"
            if new := [library for library in libraries if library not in asked]:
                asked.update(new)
                folder.mkdir(exist_ok=True)
                shutil.copy(Path(__file__).with_name("preload.py"), folder / "__init__.py")
                (site / "nightbay_libraries.pth").write_text("import nightbay_libraries\n")
                if "libusb-1.0.so.0" in new:
                    with contextlib.suppress(ImportError):
                        import libusb_package

                        put(libusb_package.get_library_path(), folder, "libusb-1.0.so.0")
                        new.remove("libusb-1.0.so.0")
                failure = fetch(new, folder, Path(work)) if new else None
            if failure:
                libraries = [library for library in libraries if not (folder / library).exists()] or libraries
                names = ", ".join(libraries)
                raise Lacking(
                    f"The packages need system libraries that this machine lacks ({names}), and {failure}: "
                    f"{advice(libraries)} and start again."
                )
    if asked:
        print(
            f"Nightbay: system libraries that this machine lacks, put into the environment: {', '.join(sorted(asked))}"
        )


if __name__ == "__main__":
    try:
        bring(sys.argv[1:] or MODULES, Path(sysconfig.get_path("purelib")))
    except Lacking as sentence:
        sys.exit(str(sentence))
