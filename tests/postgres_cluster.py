"""A private PostgreSQL cluster for tests: its own folder, a unix socket only, an unprivileged user, gone afterwards."""

import glob
import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def postgres_programs() -> Path | None:
    """The newest installed server's folder of programs, or None."""
    found = sorted(glob.glob("/usr/lib/postgresql/*/bin/initdb")) or [path for path in [shutil.which("initdb")] if path]
    return Path(found[-1]).parent if found else None


@contextmanager
def running_cluster(programs: Path) -> Iterator[str]:
    """The URL of an empty cluster (without a database name at its end) while it runs."""
    # A unix socket's path may not be longer than about 100 characters, so not pytest's own folder.
    folder = Path(tempfile.mkdtemp(prefix="pg"))
    as_user: dict[str, object] = {}
    if os.geteuid() == 0:  # the server refuses to run as root
        owner = next((name for name in ("postgres", "nobody") if _exists(name)), "nobody")
        shutil.chown(folder, owner)
        as_user = {"user": owner}
    data = folder / "data"

    def run(program: str, *arguments: str) -> None:
        command = [str(programs / program), "-D", str(data), *arguments]
        done = subprocess.run(
            command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, **as_user
        )
        if done.returncode != 0:
            raise RuntimeError(f"{program}: {done.stdout}")

    try:
        run("initdb", "-U", "grower", "-A", "trust", "-E", "UTF8", "--no-locale", "--no-sync")
        options = f"-c listen_addresses='' -c unix_socket_directories={folder} -c fsync=off -c shared_buffers=32MB"
        run("pg_ctl", "-w", "-l", str(folder / "log"), "-o", options, "start")
        try:
            yield f"postgresql+psycopg://grower@/{{name}}?host={folder}"
        finally:
            run("pg_ctl", "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _exists(name: str) -> bool:
    try:
        pwd.getpwnam(name)
    except KeyError:
        return False
    return True
