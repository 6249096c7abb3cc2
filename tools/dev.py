#!/usr/bin/env python3
"""Set up, run and test draglink from a clone. Standard library only; POSIX and Windows.

    python3 tools/dev.py demo        set up .venv, run the demonstration
    python3 tools/dev.py test        set up .venv, run the default tests
    python3 tools/dev.py setup       only set up .venv (everything a developer needs)
    python3 tools/dev.py slow        run the slow suites one after the other, each with its time
    python3 tools/dev.py check       ruff, mypy --strict, import contracts
    python3 tools/dev.py coverage    branch coverage of the tests against the project's floors
    python3 tools/dev.py versions    run the default tests on every other supported Python that is here
    python3 tools/dev.py package     build the wheel, install it outside the checkout, run the demo from there
    python3 tools/dev.py bench NAME  run one benchmark of tools/ (without NAME: list them)
    python3 tools/dev.py lock        renew requirements.lock from pyproject.toml

Anything after the command is handed on: ``tools/dev.py test -k governor``.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
LOCK = ROOT / "requirements.lock"
OLDEST = (3, 11)
SUPPORTED_MINORS = (11, 12, 13, 14)
RUNTIME_MARK = "# --- what the daemon needs ---"
DEVELOPMENT_MARK = "# --- what developers need besides ---"
SLOW_SUITES = ("property", "unit", "end_to_end")
VERSION_TESTS = ("tests", "--deselect", "tests/end_to_end/test_safety.py")
"""On other Pythons all but what measures times at the device: that is not Python's to change."""
FLOORS = {"bridge/force_path/*": 95, "bridge/contract/*": 95, "*": 85}


class Trouble(Exception):
    """Something the user must mend; the message says what and how."""


def main(arguments: list[str]) -> int:
    """Run one command; return the process's exit code."""
    command, rest = (arguments[0], arguments[1:]) if arguments else ("help", [])
    commands = {
        "setup": lambda _: set_up(development=True),
        "demo": demo,
        "test": test,
        "slow": slow,
        "check": check,
        "coverage": coverage,
        "versions": versions,
        "package": package,
        "bench": bench,
        "lock": lock,
    }
    if command not in commands:
        print(__doc__)
        return 0 if command in ("help", "-h", "--help") else 2
    try:
        if sys.version_info < OLDEST:
            here = ".".join(map(str, sys.version_info[:3]))
            raise Trouble(
                f"Python {here} is too old; draglink needs 3.11 or newer. Start dev.py with a newer one."
            )
        return commands[command](rest) or 0
    except Trouble as trouble:
        print(f"dev.py: {trouble}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        return 130


# ------------------------------------------------------------------------------------- the environment


def venv_python() -> Path:
    """Return the interpreter of the project's environment."""
    return VENV / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def set_up(development: bool) -> int:
    """Make `.venv` and bring it to what the lock says; quick when nothing changed."""
    if not LOCK.exists():
        raise Trouble(
            f"{LOCK.name} is missing; restore it from the repository or make it by 'tools/dev.py lock'."
        )
    text = LOCK.read_text(encoding="utf-8")
    runtime, _, extra = text.partition(DEVELOPMENT_MARK)
    parts = [("daemon", runtime)] + ([("developers", extra)] if development else [])
    make_environment()
    for name, requirements in parts:
        stamp = VENV / f".installed-{name}"
        digest = hashlib.sha256((requirements + sys.version).encode()).hexdigest()
        if stamp.exists() and stamp.read_text(encoding="utf-8") == digest:
            continue
        install_locked(name, requirements)
        stamp.write_text(digest, encoding="utf-8")
    install_project()
    return 0


def make_environment() -> None:
    """Create `.venv` if there is none that works."""
    python = venv_python()
    if python.exists():
        works = subprocess.run([str(python), "-m", "pip", "--version"], capture_output=True, check=False)
        if works.returncode == 0:
            return
    print("Creating .venv ...", flush=True)
    try:
        import venv  # noqa: PLC0415 - Debian ships Python without it; then we say how to get it
    except ImportError:
        raise Trouble(f"this Python has no venv module. {venv_advice()}") from None
    try:
        venv.EnvBuilder(with_pip=True, clear=True, symlinks=os.name != "nt").create(VENV)
    except (subprocess.CalledProcessError, OSError) as error:
        raise Trouble(f"could not create {VENV}: {error}. {venv_advice()}") from None


def venv_advice() -> str:
    """Return the sentence that mends a missing venv module."""
    system: str = sys.platform  # a plain str: mypy would take the other systems' lines for dead code
    if system == "linux":
        version = f"{sys.version_info.major}.{sys.version_info.minor}"
        return f"Debian and its kin: sudo apt install python{version}-venv (or python3-venv), then try again."
    return "Install Python from its official installer with pip and venv included, then try again."


def install_locked(name: str, requirements: str) -> None:
    """Install one part of the lock with hashes checked and a progress line."""
    wanted = VENV / f".requirements-{name}.txt"
    wanted.write_text(requirements, encoding="utf-8")
    total = len(re.findall(r"^[A-Za-z0-9_.-]+==", requirements, re.MULTILINE))
    command = [str(venv_python()), "-m", "pip", "install", "--require-hashes", "--no-deps", "-r", str(wanted)]
    command += ["--disable-pip-version-check", "--no-input", "--progress-bar", "off"]
    lines: list[str] = []
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) as process:
        assert process.stdout is not None
        done = 0
        for line in process.stdout:
            lines.append(line.rstrip())
            collected = re.match(r"(?:Collecting|Requirement already satisfied:) ([A-Za-z0-9_.-]+)", line)
            if collected:
                done += 1
                progress(f"Installing for {name}: {done}/{total} {collected.group(1)}")
            elif line.startswith("Installing collected packages"):
                progress(f"Installing for {name}: unpacking {done} packages")
    progress("")
    if process.returncode != 0:
        raise Trouble(install_advice("\n".join(lines[-25:])))
    print(f"Installed what the {name} need{'s' if name == 'daemon' else ''}.", flush=True)


def install_advice(output: str) -> str:
    """Turn pip's last lines into what the user can do."""
    if re.search(
        r"NewConnectionError|Name or service|Temporary failure|Could not fetch URL|ProxyError", output
    ):
        return f"the package index cannot be reached; is the network up?\n{output}"
    if "DO NOT MATCH THE HASHES" in output:
        return f"a package differs from the lock; do not install it, report it.\n{output}"
    if "No matching distribution" in output or "from versions: none" in output:
        here = ".".join(map(str, sys.version_info[:2]))
        return f"a package of the lock has no build for Python {here} here.\n{output}"
    return f"pip failed; its last lines:\n{output}"


def install_project() -> None:
    """Install draglink itself, editable, unless it is already."""
    stamp = VENV / ".installed-project"
    digest = hashlib.sha256((ROOT / "pyproject.toml").read_bytes() + str(ROOT).encode()).hexdigest()
    if stamp.exists() and stamp.read_text(encoding="utf-8") == digest:
        return
    command = [
        str(venv_python()),
        "-m",
        "pip",
        "install",
        "--no-deps",
        "--no-build-isolation",
        "-e",
        str(ROOT),
    ]
    command += ["--disable-pip-version-check", "--no-input", "-q"]
    result = subprocess.run(command, capture_output=True, text=True, check=False)
    if result.returncode != 0:
        raise Trouble(f"could not install draglink into .venv:\n{result.stdout}{result.stderr}")
    stamp.write_text(digest, encoding="utf-8")


def progress(text: str) -> None:
    """Rewrite one line on a terminal; stay silent elsewhere."""
    if sys.stdout.isatty():
        sys.stdout.write("\r" + text[:78].ljust(78) + ("" if text else "\r"))
        sys.stdout.flush()


def run(*command: str) -> int:
    """Run a module of the environment in the project's folder; return its exit code."""
    return subprocess.run([str(venv_python()), *command], cwd=ROOT, check=False).returncode


# ------------------------------------------------------------------------------------- the commands


def demo(rest: list[str]) -> int:
    """Run the demonstration."""
    set_up(development=False)
    return subprocess.run([str(venv_python()), "-m", "bridge.cli", "demo", *rest], check=False).returncode


def test(rest: list[str]) -> int:
    """Run the default tests: two processes, then those that measure real processes, one at a time."""
    set_up(development=True)
    if rest:
        return run("-m", "pytest", *rest)
    together = ["-n", "2", "--dist", "loadfile", "--ignore", "tests/end_to_end"]
    codes = [run("-m", "pytest", *together), run("-m", "pytest", "tests/end_to_end")]
    return next((code for code in codes if code), 0)


def slow(rest: list[str]) -> int:
    """Run the slow suites, one process, each with its own time printed."""
    set_up(development=True)
    failed = []
    for suite in SLOW_SUITES:
        began = time.monotonic()
        code = run("-m", "pytest", f"tests/{suite}", "-m", "slow", "--timeout", "1200", *rest)
        print(f"slow suite {suite}: {time.monotonic() - began:.0f} s", flush=True)
        if code not in (0, 5):  # 5: this suite has no slow tests
            failed.append(suite)
    if failed:
        print(f"slow suites that failed: {', '.join(failed)}", file=sys.stderr)
    return 1 if failed else 0


def check(_: list[str]) -> int:
    """Run every static check; go on after a failure and report all."""
    set_up(development=True)
    steps = (
        ("ruff", ("-m", "ruff", "check", ".")),
        ("format", ("-m", "ruff", "format", "--check", ".")),
        ("mypy", ("-m", "mypy")),
        ("imports", ("-m", "importlinter.cli", "lint")),
    )
    failed = [name for name, command in steps if run(*command) != 0]
    print("check: " + (f"failed: {', '.join(failed)}" if failed else "all clean"))
    return 1 if failed else 0


def coverage(rest: list[str]) -> int:
    """Measure branch coverage of the default tests and hold it against the floors."""
    set_up(development=True)
    run("-m", "coverage", "erase")
    options = ["--cov", "--cov-append", "--cov-report=", "--timeout", "300", *rest]
    together = ["-n", "2", "--dist", "loadfile", "--ignore", "tests/end_to_end"]
    for part in (together, ["tests/end_to_end"]):
        code = run("-m", "pytest", *part, *options)
        if code != 0:
            return code
    for pattern, floor in FLOORS.items():
        include = [] if pattern == "*" else [f"--include={pattern}"]
        print(f"--- {pattern}: at least {floor} %", flush=True)
        if run("-m", "coverage", "report", f"--fail-under={floor}", "--skip-covered", *include) != 0:
            code = 1
    return code


def versions(rest: list[str]) -> int:
    """Run the default tests on the other supported Pythons found on the PATH."""
    code = 0
    for minor in SUPPORTED_MINORS:
        if sys.version_info[:2] == (3, minor):
            continue
        base = find_python(minor)
        if base is None:
            print(f"Python 3.{minor}: not here, skipped")
            continue
        python = locked_environment(ROOT / ".dev" / f"python3.{minor}", base, development=True)
        install_into(python, "--no-deps", "--no-build-isolation", "-e", str(ROOT))
        began = time.monotonic()
        command = [python, "-m", "pytest", "-n", "2", "--dist", "loadfile", "-q", *(rest or VERSION_TESTS)]
        result = subprocess.run(command, cwd=ROOT, check=False)
        print(
            f"Python 3.{minor}: exit {result.returncode} after {time.monotonic() - began:.0f} s", flush=True
        )
        code = code or result.returncode
    return code


def find_python(minor: int) -> str | None:
    """Find a Python 3.`minor` that can make environments: on the PATH, else among pyenv's versions."""
    kept = Path(os.environ.get("PYENV_ROOT", Path.home() / ".pyenv")) / "versions"
    candidates = [shutil.which(f"python3.{minor}"), *map(str, kept.glob(f"3.{minor}.*/bin/python"))]
    for candidate in filter(None, candidates):
        probe = [candidate, "-c", "import venv, ensurepip"]
        if subprocess.run(probe, capture_output=True, check=False).returncode == 0:
            return candidate
    return None


def package(rest: list[str]) -> int:
    """Build the wheel and run the demonstration from it, where the checkout cannot be seen."""
    set_up(development=True)
    with tempfile.TemporaryDirectory(prefix="draglink-wheel-") as name:
        place = Path(name)
        if run("-m", "build", "--wheel", "--no-isolation", "--outdir", str(place / "dist"), str(ROOT)) != 0:
            return 1
        (wheel,) = (place / "dist").glob("*.whl")
        python = locked_environment(place / "environment", sys.executable, development=False)
        install_into(python, "--no-deps", str(wheel))
        summary = place / "out.json"
        seconds = [] if "--seconds" in rest else ["--seconds", "12"]
        command = [python, "-m", "bridge.cli", "demo", *seconds, "--summary", str(summary), *rest]
        print(f"Running the demo of {wheel.name} in {place}", flush=True)
        code = subprocess.run(command, cwd=place, check=False).returncode
        if code == 0 and not summary.exists():
            raise Trouble("the demo of the wheel left no summary")
        return code


def locked_environment(folder: Path, base: str, development: bool) -> str:
    """Make an environment at `folder` with the locked packages; return its interpreter."""
    subprocess.run([base, "-m", "venv", "--clear", str(folder)], check=True)
    python = str(folder / ("Scripts/python.exe" if os.name == "nt" else "bin/python"))
    text = LOCK.read_text(encoding="utf-8")
    wanted = folder / "requirements.txt"
    wanted.write_text(text if development else text.partition(DEVELOPMENT_MARK)[0], encoding="utf-8")
    install_into(python, "--require-hashes", "--no-deps", "-r", str(wanted))
    return python


def install_into(python: str, *what: str) -> None:
    """Run pip install in another environment; its words are shown only when it fails."""
    command = [python, "-m", "pip", "install", "-q", "--disable-pip-version-check", "--no-input", *what]
    result = subprocess.run(command, capture_output=True, text=True, check=False)
    if result.returncode != 0:
        raise Trouble(install_advice(result.stdout + result.stderr))


def bench(rest: list[str]) -> int:
    """Run a benchmark of tools/ by name."""
    names = sorted(path.stem.removeprefix("bench_") for path in (ROOT / "tools").glob("bench_*.py"))
    if not rest or rest[0] not in names:
        print("Benchmarks: " + " ".join(names))
        return 0 if not rest else 2
    set_up(development=True)
    return run(str(ROOT / "tools" / f"bench_{rest[0]}.py"), *rest[1:])


def lock(_: list[str]) -> int:
    """Resolve pyproject.toml for every supported Python and system; write hashes, no addresses."""
    make_environment()
    python = str(venv_python())
    if subprocess.run([python, "-m", "uv", "--version"], capture_output=True, check=False).returncode != 0:
        subprocess.run([python, "-m", "pip", "install", "-q", "uv"], check=True)
    runtime = compile_requirements("build")
    everything = compile_requirements("build", "dev")
    packages = set(split_packages(runtime))
    extra = "\n".join(entry for entry in split_packages(everything) if entry not in packages)
    head = "# Made by 'tools/dev.py lock' from pyproject.toml; every package with its hashes.\n"
    text = f"{head}{RUNTIME_MARK}\n{runtime.strip()}\n{DEVELOPMENT_MARK}\n{extra.strip()}\n"
    if "://" in text:
        raise Trouble("the lock would hold an address; nothing was written.")
    LOCK.write_text(text, encoding="utf-8")
    count = len(split_packages(extra))
    print(f"{LOCK.name}: {len(packages)} packages for the daemon, {count} more for developers")
    return 0


def compile_requirements(*extras: str) -> str:
    """Return the hashed requirements of the project with some extras, for all platforms."""
    command = [str(venv_python()), "-m", "uv", "pip", "compile", "pyproject.toml", "--universal", "--quiet"]
    command += ["--python-version", "3.11", "--generate-hashes", "--no-header", "--no-annotate"]
    command += [f"--extra={name}" for name in extras]
    result = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    if result.returncode != 0:
        raise Trouble(f"the requirements could not be resolved:\n{result.stderr}")
    return result.stdout


def split_packages(text: str) -> list[str]:
    """Split a requirements text into one entry a package, continuation lines included."""
    return [entry.strip() for entry in re.split(r"\n(?=[A-Za-z0-9])", text) if "==" in entry]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
