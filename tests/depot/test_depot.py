"""A depot with a URL: a name in the folder is in the object store too, put there once; what is gone comes back."""

import hashlib
import pickle
import socket
from pathlib import Path

import pytest

from pipeline.errors import RegisterError, StoreError
from pipeline.site import open_site
from pipeline.store import bucket
from pipeline.store.bucket import NameTaken
from pipeline.store.depot import Depot
from tests.depot.makers import Objects
from tests.night.berth import make_berth


def put(depot: Depot, name: str, data: bytes) -> str:
    def write(draft: Path) -> None:
        draft.write_bytes(data)

    return depot.write(name, write)


def files_in(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


@pytest.mark.parametrize("name", ["a", "store/samples/hook%203/2026-03-01/x.parquet", "%2E%2E/é/ü.parquet"])
def test_a_file_is_put_under_its_name_and_comes_back_to_an_empty_folder(tmp_path: Path, url: str, name: str) -> None:
    here, elsewhere = Depot(tmp_path / "here", url), Depot(tmp_path / "elsewhere", url)
    assert put(here, name, b"all of it") == hashlib.sha256(b"all of it").hexdigest()
    assert Objects(url).names() == [name]
    assert elsewhere.local(name) == tmp_path / "elsewhere" / name
    assert elsewhere.local(name).read_bytes() == b"all of it"
    assert files_in(tmp_path) == [f"elsewhere/{name}", f"here/{name}"]


def test_what_the_folder_has_is_not_asked_for(tmp_path: Path, url: str) -> None:
    depot = Depot(tmp_path, url)
    put(depot, "a", b"1")
    Objects(url).delete("a")
    assert depot.local("a").read_bytes() == b"1"


@pytest.mark.parametrize(("large", "data"), [(64 << 20, b"two"), (1 << 20, bytes(6 << 20))])
def test_a_second_writer_of_a_name_is_refused_and_the_first_ones_bytes_stay(
    tmp_path: Path, url: str, monkeypatch: pytest.MonkeyPatch, large: int, data: bytes
) -> None:
    monkeypatch.setattr(bucket, "LARGE_BYTES", large)
    first, second = Depot(tmp_path / "first", url), Depot(tmp_path / "second", url)
    put(first, "x", data + b"of the first")
    with pytest.raises(NameTaken, match="other bytes") as told:
        put(second, "x", data + b"of the second")
    assert told.value.file == f"{url}/x"
    assert Objects(url).get("x") == data + b"of the first"
    assert files_in(tmp_path) == ["first/x"]


def test_the_same_bytes_again_are_as_good_as_put(tmp_path: Path, url: str) -> None:
    # So it looks to a writer whose first request came through, but not its answer.
    for folder in ("first", "second"):
        put(Depot(tmp_path / folder, url), "x", b"the same")
    assert files_in(tmp_path) == ["first/x", "second/x"]


def test_an_object_that_is_gone_is_told_with_its_url(tmp_path: Path, url: str) -> None:
    with pytest.raises(StoreError, match="missing from the object store") as told:
        Depot(tmp_path, url).below("raw").local("x")
    assert told.value.file == f"{url}/raw/x"
    assert files_in(tmp_path) == []


def test_a_bucket_that_is_not_there_is_told(tmp_path: Path, bucket_url: str) -> None:
    nowhere = Depot(tmp_path, f"{bucket_url}-not/site")
    for ask in (lambda: put(nowhere, "x", b""), lambda: nowhere.local("x")):
        with pytest.raises(StoreError, match="no such bucket"):
            ask()
    assert files_in(tmp_path) == []


def test_removing_takes_the_object_too_and_may_be_done_twice(tmp_path: Path, url: str) -> None:
    depot = Depot(tmp_path, url)
    put(depot, "x", b"1")
    depot.remove("x")
    depot.remove("x")
    assert (files_in(tmp_path), Objects(url).names()) == ([], [])


@pytest.mark.usefixtures("bucket_url")
def test_a_refused_connection_is_told_with_the_url_and_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        monkeypatch.setenv("AWS_ENDPOINT_URL", f"http://127.0.0.1:{closed.getsockname()[1]}")
        depot = Depot(tmp_path, "s3://refuses/site")
        with pytest.raises(StoreError, match=r"s3://refuses/site/x: .*cannot put.*; next: check the network") as told:
            put(depot, "x", b"1")
    assert told.value.exit_code == 74
    assert files_in(tmp_path) == []


@pytest.mark.usefixtures("bucket_url")
def test_an_object_store_that_does_not_answer_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        monkeypatch.setenv("AWS_ENDPOINT_URL", f"http://127.0.0.1:{silent.getsockname()[1]}")
        monkeypatch.setattr(bucket, "REQUEST_S", 0.3)
        monkeypatch.setattr(bucket, "RETRIES", 0)
        with pytest.raises(StoreError, match=r"s3://silent/site/x: .*cannot put"):
            put(Depot(tmp_path, "s3://silent/site"), "x", b"1")
    assert files_in(tmp_path) == []


def test_a_depot_goes_to_another_process_as_it_is(tmp_path: Path) -> None:
    for depot in (Depot(tmp_path), Depot(tmp_path, "s3://some-bucket/site")):
        assert pickle.loads(pickle.dumps(depot)) == depot


@pytest.mark.parametrize(
    "wrong", ["/srv/store", "http://host/bucket", "s3://", "s3://key:secret@bucket/x", "s3://b/x?y"]
)
def test_a_url_that_is_none_or_holds_a_secret_is_refused(tmp_path: Path, wrong: str) -> None:
    berth = make_berth(tmp_path / "b")
    berth.edit("site.toml", 'timezone = "UTC"\n', f'timezone = "UTC"\nstore = "{wrong}"\n')
    with pytest.raises(RegisterError, match=r"site\.toml.*s3://bucket/prefix"):
        open_site(berth.root)


def test_without_a_url_the_folder_is_all_there_is(tmp_path: Path) -> None:
    site = open_site(make_berth(tmp_path / "b").root)
    assert site.depot == Depot(tmp_path / "b")
    assert site.raw.local("x") == tmp_path / "b" / "raw" / "x"
