"""Run the command line as on a system without the modules and calls that only some systems have.

Usage: python taken_away.py ARGUMENTS...: what stands in MODULES cannot be imported, what stands in CALLS is not there.
"""

from __future__ import annotations

import multiprocessing
import os
import select
import signal
import subprocess
import sys

MODULES = ("fcntl", "resource", "termios", "pwd", "grp", "pty", "tty", "posix_ipc", "syslog", "readline")
CALLS = {
    os: ("fork", "forkpty", "sched_getaffinity", "sched_setaffinity", "getuid", "geteuid", "getgid", "mkfifo", "statvfs", "wait",
         "killpg", "setsid", "getpgid", "sysconf", "fchmod", "fchown", "chown", "nice", "O_DIRECTORY", "O_NOFOLLOW", "O_NONBLOCK"),
    signal: ("SIGPIPE", "SIGKILL", "SIGHUP", "SIGALRM", "SIGUSR1", "SIGUSR2", "pthread_sigmask", "setitimer", "alarm"),
    select: ("poll", "epoll"),
}  # fmt: skip


class _Away:
    """Finds none of the modules."""

    def find_spec(self, name, path=None, target=None):
        if name in MODULES:
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)


def take_away() -> None:
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
    subprocess.Popen.kill = subprocess.Popen.terminate  # as on Windows, where no signal is behind it
    os.path.isdir = _without_dev(os.path.isdir)
    os.path.exists = _without_dev(os.path.exists)


def _without_dev(real):
    return lambda path: not str(path).startswith(("/dev", "/proc")) and real(path)


if __name__ == "__main__":
    take_away()
    from strobewise_cli.main import main

    sys.exit(main())
