"""Run the command line as on a system without what only some systems have, with files as another system holds them.

Usage: python taken_away.py ARGUMENTS...: what stands in MODULES cannot be imported, what stands in CALLS is not there, `sys.platform` is
another one. A file that is open can be neither replaced nor removed, no folder can be opened, names are bounded, text has to say its
encoding, lines of text end with two characters, and nobody may make links.
"""

from __future__ import annotations

import builtins
import contextlib
import errno
import glob
import importlib
import multiprocessing
import os
import re
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import types
import warnings

MODULES = ("fcntl", "resource", "termios", "pwd", "grp", "pty", "tty", "posix_ipc", "syslog", "readline")
CALLS = {
    os: ("fork", "forkpty", "sched_getaffinity", "sched_setaffinity", "getuid", "geteuid", "getgid", "mkfifo", "statvfs", "wait",
         "killpg", "setsid", "getpgid", "sysconf", "fchmod", "fchown", "chown", "nice", "O_DIRECTORY", "O_NOFOLLOW", "O_NONBLOCK"),
    signal: ("SIGPIPE", "SIGKILL", "SIGHUP", "SIGALRM", "SIGUSR1", "SIGUSR2", "pthread_sigmask", "setitimer", "alarm"),
    select: ("poll", "epoll"),
}  # fmt: skip
BINARY = 0x8000  #: stands in for os.O_BINARY, which is 0x8000 where it is (fcntl.h of that system's C library, from memory)
#: Names that the other system takes for none: "Naming Files, Paths, and Namespaces" of its documentation, from memory.
NO_NAME = re.compile(r'[<>:"|?*\x00-\x1f]|[ .]$|^(con|prn|aux|nul|com[0-9]|lpt[0-9])(\.|$)', re.IGNORECASE)


class _Away:
    """Finds none of the modules."""

    def find_spec(self, name, path=None, target=None):
        if name in MODULES:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)


def take_away() -> None:
    importlib.import_module("asyncio")  # that of this system asks for what is taken away while it is loaded
    for name in MODULES:
        sys.modules.pop(name, None)
    sys.meta_path.insert(0, _Away())
    for module, names in CALLS.items():
        for name in names:
            if hasattr(module, name):
                delattr(module, name)
    real = multiprocessing.get_context

    def only_spawn(method=None):
        assert method == "spawn", f"processes are started by {method or 'the default method'}"
        return real(method)

    multiprocessing.get_context = only_spawn
    subprocess.Popen.kill = subprocess.Popen.terminate  # no signal is behind it there
    os.path.isdir = _without_dev(os.path.isdir)
    os.path.exists = _without_dev(os.path.exists)
    _hold_files()
    os.symlink = no_link
    sys.modules["msvcrt"] = _locks()
    _call_the_system("win32")
    # What is neither said nor UTF-8 there: text files without an encoding (PYTHONWARNDEFAULTENCODING asks for the warning).
    warnings.filterwarnings("error", category=EncodingWarning, module="strobewise")
    for stream in (sys.stdout, sys.stderr):
        stream.reconfigure(newline="\r\n")


def _without_dev(real):
    return lambda path: not str(path).startswith(("/dev", "/proc")) and real(path)


def no_link(*_, **__):
    error = OSError(errno.EINVAL, "A required privilege is not held by the client")
    error.winerror = 1314
    raise error


def _call_the_system(name: str) -> None:
    """Have the modules of the program, and no library, see another `sys.platform`."""
    real, seen = builtins.__import__, _Sys("sys")
    seen.__dict__["platform"] = name

    def imported(module, scope=None, *more, **named):
        ours = scope is not None and str(scope.get("__name__")).startswith("strobewise")
        return seen if module == "sys" and ours else real(module, scope, *more, **named)

    builtins.__import__ = imported


class _Sys(types.ModuleType):
    """The module sys but for what is set in it."""

    def __getattr__(self, name):
        return getattr(sys, name)

    def __setattr__(self, name, value):
        setattr(sys, name, value)


def _locks() -> types.ModuleType:
    """Return the part of that system's module which locks a file, here a lock of this system's own."""
    away, fcntl = sys.meta_path.pop(0), importlib.import_module("fcntl")
    sys.meta_path.insert(0, away)
    del sys.modules["fcntl"]
    made = types.ModuleType("msvcrt")
    made.LK_NBLCK = 2

    def locking(handle, mode, count):
        try:
            fcntl.lockf(handle, fcntl.LOCK_EX | fcntl.LOCK_NB, count)
        except OSError:
            raise PermissionError(errno.EACCES, "Permission denied") from None

    made.locking = locking
    return made


def _hold_files() -> None:
    """Hold files as that system does: said by what Python tells of each call (audit events)."""
    os.O_BINARY = BINARY
    shutil._use_fd_functions = False  # no folder can be opened
    held, real = set(), tempfile.NamedTemporaryFile

    def named(*arguments, **options):
        made = real(*arguments, **options)
        if options.get("delete", True):
            held.add(made.name)
        return made

    tempfile.NamedTemporaryFile = tempfile.TemporaryFile = named  # they are one there

    def hook(event, told):
        if event == "open" and isinstance(told[0], str):
            path, mode, flags = told
            who = sys._getframe(1).f_globals.get("__name__", "")
            if (os.path.isdir(path) and who != "tempfile") or path in held:  # one that goes when it is closed is open to nobody else
                raise PermissionError(errno.EACCES, "Permission denied", path)
            if flags & os.O_CREAT and NO_NAME.search(os.path.basename(path)):
                raise OSError(errno.EINVAL, "Invalid argument", path)
            text = mode is None and not flags & BINARY and path != os.devnull
            assert not (text and who.startswith("strobewise")), f"{path} is opened as text"
        elif event in ("os.rename", "os.remove"):
            for path in told[: 2 if event == "os.rename" else 1]:
                if _is_open(path):
                    raise PermissionError(errno.EACCES, "The process cannot access the file because it is being used", os.fspath(path))

    sys.addaudithook(hook)


def _is_open(path) -> bool:
    """Say whether any process has a file open."""
    try:
        facts = os.stat(path)
    except OSError:
        return False
    for each in glob.glob("/proc/[0-9]*/fd/*"):
        with contextlib.suppress(OSError):
            other = os.stat(each)
            if (other.st_dev, other.st_ino) == (facts.st_dev, facts.st_ino):
                return True
    return False


if __name__ == "__main__":
    take_away()
    from strobewise_cli.main import main

    sys.exit(main())
