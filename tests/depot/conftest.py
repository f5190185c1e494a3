"""An S3 emulator on loopback: the one that TAUTLOG_TEST_S3 names, or one started for the session and ended with it."""

import os
import secrets
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator

import pytest

UP_WITHIN_S = 60.0


@pytest.fixture(scope="session")
def endpoint() -> Iterator[str]:
    """Where the emulator answers."""
    given = os.environ.get("TAUTLOG_TEST_S3")
    if given is not None:
        yield given
        return
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "moto.server", "-H", "127.0.0.1", "-p", str(port)]
    emulator = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        _wait_for(port, emulator)
        yield f"http://127.0.0.1:{port}"
    finally:
        emulator.terminate()
        emulator.wait()


@pytest.fixture(scope="session")
def bucket_url(endpoint: str) -> Iterator[str]:
    """A new, empty bucket, and the environment in which it is reached."""
    name = f"tautlog-{secrets.token_hex(6)}"
    request = urllib.request.Request(f"{endpoint}/{name}", method="PUT")
    urllib.request.urlopen(request, timeout=UP_WITHIN_S).close()
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("AWS_ENDPOINT_URL", endpoint)
        patch.setenv("AWS_ALLOW_HTTP", "true")
        patch.setenv("AWS_REGION", "us-east-1")
        patch.setenv("AWS_ACCESS_KEY_ID", "invented-for-the-test")
        patch.setenv("AWS_SECRET_ACCESS_KEY", "invented-for-the-test")
        yield f"s3://{name}"


@pytest.fixture
def url(bucket_url: str) -> str:
    """A place in the bucket where nothing lies yet."""
    return f"{bucket_url}/sites/{secrets.token_hex(4)}"


def _wait_for(port: int, emulator: subprocess.Popen[bytes]) -> None:
    end = time.monotonic() + UP_WITHIN_S
    while time.monotonic() < end and emulator.poll() is None:
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
        except OSError:
            time.sleep(0.05)
        else:
            return
    raise RuntimeError("the S3 emulator did not start; try `python -m moto.server`")
