"""Files that mean harm: a coded refusal in bounded time and memory, and nothing written anywhere."""

from __future__ import annotations

import contextlib
import io
import os
import resource
import signal
import socket
import struct
import time
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from ct_files import Grid, as_bytes, codes, ct_slice, refused, with_values, worst_hu, write_series
from pydicom import uid
from pydicom.dataset import Dataset

from ongrowth.read import list_series, read_files, read_scan
from ongrowth.scan import Refused

PLAIN = Grid(n=6, rows=8, columns=9)
SECONDS = 10.0  # of processor time: far above what any of these needs, far below a hang
MEGABYTES = 400.0


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


@pytest.fixture(autouse=True)
def bounded(tmp_path: Path) -> Iterator[None]:
    """Bound time and memory of each test, and see that nothing appears beside its folder."""
    outside = tmp_path.parent
    before = {path.name for path in outside.iterdir()}
    begin, memory = time.process_time(), peak_mb()
    signal.alarm(120)  # ends the run if something hangs
    yield
    signal.alarm(0)
    assert time.process_time() - begin < SECONDS
    assert peak_mb() - memory < MEGABYTES
    assert {path.name for path in outside.iterdir()} == before


def outcome(path: Path) -> set[str]:
    """Return the codes with which a path is refused; listing must not break either."""
    with contextlib.suppress(Refused):
        list_series(path)
    return refused(lambda: read_scan(path))


def series_with(folder: Path, raw: bytes) -> Path:
    """Return a folder that holds a good series and one hostile file."""
    write_series(folder, PLAIN)
    (folder / "hostile.dcm").write_bytes(raw)
    return folder


# --------------------------------------------------------------------------------------- lengths


def element(group: int, number: int, vr: bytes, length: int, value: bytes = b"") -> bytes:
    head = struct.pack("<HH2s", group, number, vr)
    return head + (struct.pack("<xxL" if vr in (b"OB", b"OW", b"SQ", b"UN", b"UT") else "<H", length)) + value


def header_then(raw: bytes) -> bytes:
    """Return a CT header without pixels, followed by raw elements."""
    ds = ct_slice(PLAIN, 0)
    del ds.PixelData
    return as_bytes(ds) + raw


HOSTILE = {
    "pixels longer than the file": lambda: header_then(element(0x7FE0, 0x10, b"OW", 0xFFFFFFF0, b"1234")),
    "text longer than the file": lambda: header_then(element(0x4000, 0x10, b"UT", 0xFFFFFFF0, b"1234")),
    "private data longer than the file": lambda: header_then(
        element(0x0029, 0x1010, b"OB", 0x7FFFFFFF, b"12")
    ),
    "sequence without end": lambda: header_then(
        element(0x0040, 0xA730, b"SQ", 0xFFFFFFFF, b"\xfe\xff\x00\xe0")
    ),
    "unknown data without end": lambda: header_then(element(0x0029, 0x1010, b"UN", 0xFFFFFFFF, b"\0" * 64)),
    "nothing after the preamble": lambda: bytes(128) + b"DICM",
    "meta group longer than the file": lambda: bytes(128) + b"DICM\x02\x00\x00\x00UL\x04\x00\xff\xff\xff\x7f",
    "random after the preamble": lambda: bytes(128) + b"DICM" + np.random.default_rng(3).bytes(5000),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_file_alone_is_refused(tmp_path: Path, name: str) -> None:
    path = tmp_path / "hostile.dcm"
    path.write_bytes(HOSTILE[name]())
    assert outcome(path) <= {"damaged-files", "truncated-file", "no-images", "single-slice"}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_file_does_not_spoil_the_series_beside_it(tmp_path: Path, name: str) -> None:
    """Either it is left out with a word, or the series is refused: never a wrong voxel."""
    folder = series_with(tmp_path / "ct", HOSTILE[name]())
    with contextlib.suppress(Refused):
        assert worst_hu(read_scan(folder)) <= 0.501


def nested(depth: int, *, tag: bytes = b"\x40\x00\x30\xa7", defined: bool = False) -> bytes:
    """Return sequences inside sequences, of undefined or of defined length."""
    inner = b""
    for _ in range(depth):
        if defined:
            item = b"\xfe\xff\x00\xe0" + struct.pack("<L", len(inner)) + inner
            inner = tag + b"SQ\0\0" + struct.pack("<L", len(item)) + item
        else:
            item = b"\xfe\xff\x00\xe0\xff\xff\xff\xff" + inner + b"\xfe\xff\x0d\xe0\0\0\0\0"
            inner = tag + b"SQ\0\0\xff\xff\xff\xff" + item + b"\xfe\xff\xdd\xe0\0\0\0\0"
    return inner


PER_FRAME, ENERGY = b"\x00\x52\x30\x92", b"\x18\x00\x62\x93"


@pytest.mark.parametrize("defined", [False, True])
@pytest.mark.parametrize("tag", [b"\x40\x00\x30\xa7", PER_FRAME, ENERGY], ids=["content", "frames", "energy"])
def test_sequences_nested_2000_deep(tmp_path: Path, tag: bytes, *, defined: bool) -> None:
    path = tmp_path / "deep.dcm"
    pixels = element(0x7FE0, 0x10, b"OW", 144, bytes(144))
    path.write_bytes(header_then(nested(2000, tag=tag, defined=defined) + pixels))
    assert outcome(path) <= {"damaged-files", "single-slice", "no-position", "no-images", "no-rescale"}


def test_very_many_elements(tmp_path: Path) -> None:
    path = tmp_path / "many.dcm"
    path.write_bytes(header_then(element(0x0029, 0x1010, b"LO", 0) * 100_000))
    assert outcome(path) <= {"damaged-files", "truncated-file"}


def test_text_element_that_is_a_sequence(tmp_path: Path) -> None:
    path = tmp_path / "x.dcm"
    path.write_bytes(
        header_then(nested(60, tag=b"\x20\x00\x0e\x00") + element(0x7FE0, 0x10, b"OW", 144, bytes(144)))
    )
    assert outcome(path) == {"single-slice"}


def test_unknown_representation_of_a_value(tmp_path: Path) -> None:
    raw = as_bytes(ct_slice(PLAIN, 0)).replace(b"\x08\x00\x60\x00CS", b"\x08\x00\x60\x00CJ")
    path = tmp_path / "x.dcm"
    path.write_bytes(raw[:600])
    assert outcome(path) <= {"damaged-files", "no-images"}


@pytest.mark.parametrize("seed", range(6))
def test_spoilt_bytes_never_break_the_reader(tmp_path: Path, seed: int) -> None:
    """Flip, cut and insert bytes in one file of a series, ten times a seed: read, or refused."""
    rng = np.random.default_rng(seed)
    for trial in range(10):
        folder = write_series(tmp_path / str(trial), PLAIN)
        victim = folder / "002.dcm"
        victim.write_bytes(_spoilt(victim.read_bytes(), rng))
        with contextlib.suppress(Refused):
            assert read_scan(folder).hu.shape[1:] == (PLAIN.rows, PLAIN.columns)


def _spoilt(raw: bytes, rng: np.random.Generator) -> bytes:
    out = bytearray(raw)
    for _ in range(int(rng.integers(1, 12))):
        at = int(rng.integers(132, len(out)))
        kind = rng.integers(4)
        if kind == 0:
            out[at] = int(rng.integers(256))
        elif kind == 1:
            out[at : at + 4] = b"\xff\xff\xff\xff"
        elif kind == 2:
            out[at:at] = rng.bytes(7)
        else:
            del out[at : at + 5]
    return bytes(out)


# ------------------------------------------------------------------------------- impossible sizes


@pytest.mark.parametrize(
    ("values", "code"),
    [
        ({"Rows": 65535, "Columns": 65535}, "bad-matrix"),
        ({"Rows": 0}, "bad-matrix"),
        ({"Rows": 8000, "Columns": 8000}, "truncated-file"),
        ({"BitsAllocated": 1}, "not-grey"),
        ({"BitsAllocated": 64}, "not-grey"),
        ({"RescaleSlope": "1e300", "RescaleIntercept": "1e300"}, "no-rescale"),
        ({"RescaleSlope": "inf"}, "no-rescale"),
        ({"RescaleSlope": "0"}, "no-rescale"),
        ({"PixelSpacing": ["1e300", "1e300"]}, "no-pixel-size"),
        ({"PixelSpacing": ["-1", "-1"]}, "no-pixel-size"),
    ],
)
@pytest.mark.filterwarnings("ignore::UserWarning:pydicom")
def test_impossible_numbers(tmp_path: Path, values: dict[str, object], code: str | None) -> None:
    folder = write_series(tmp_path / "ct", PLAIN, with_values(**values))
    assert outcome(folder) == {code}


def test_one_slice_of_another_depth(tmp_path: Path) -> None:
    def edit(ds: Dataset, k: int) -> None:
        ds.BitsAllocated = 0 if k == 2 else 16

    assert outcome(write_series(tmp_path / "ct", PLAIN, edit)) == {"not-grey"}


def encapsulated(ds: Dataset, syntax: str, frame: bytes) -> bytes:
    del ds.PixelData
    ds.file_meta.TransferSyntaxUID = uid.UID(syntax)
    fragment = b"\xfe\xff\x00\xe0" + struct.pack("<L", len(frame)) + frame
    pixels = element(
        0x7FE0, 0x10, b"OB", 0xFFFFFFFF, b"\xfe\xff\x00\xe0\0\0\0\0" + fragment + b"\xfe\xff\xdd\xe0\0\0\0\0"
    )
    return as_bytes(ds) + pixels


J2K_HUGE = b"\xff\x4f\xff\x51" + struct.pack(">HHLLLL", 41, 0, 60000, 60000, 0, 0) + bytes(40)
JPEG_HUGE = b"\xff\xd8\xff\xc3" + struct.pack(">HBHHB", 11, 16, 60000, 60000, 1) + bytes(40)


@pytest.mark.parametrize(
    ("syntax", "frame"),
    [
        (uid.JPEG2000Lossless, J2K_HUGE),
        (uid.JPEGLosslessSV1, JPEG_HUGE),
        (uid.JPEG2000Lossless, b"no code stream at all"),
        (uid.JPEGLSLossless, b"\xff\xd8\xff\xf7"),
        (uid.RLELossless, struct.pack("<16L", 15, *[0xFFFFFFF0] * 15)),
        (uid.RLELossless, b"\0" * 64),
        ("1.2.840.10008.1.2.4.100", b"a film"),
    ],
)
def test_hostile_code_streams(tmp_path: Path, syntax: str, frame: bytes) -> None:
    folder = tmp_path / "ct"
    folder.mkdir()
    for k in range(PLAIN.n):
        (folder / f"{k}").write_bytes(encapsulated(ct_slice(PLAIN, k), syntax, frame))
    assert outcome(folder) == {"decoding-failed"}


def test_fragment_longer_than_the_file(tmp_path: Path) -> None:
    folder = tmp_path / "ct"
    folder.mkdir()
    for k in range(PLAIN.n):
        raw = encapsulated(ct_slice(PLAIN, k), uid.JPEG2000Lossless, b"x" * 40)
        (folder / f"{k}").write_bytes(raw[:-30])
    assert outcome(folder) <= {"truncated-file", "decoding-failed"}


def test_deflate_bomb(tmp_path: Path) -> None:
    ds = ct_slice(PLAIN, 0)
    ds.file_meta.TransferSyntaxUID = uid.DeflatedExplicitVRLittleEndian
    whole = as_bytes(ds)
    start = 144 + int.from_bytes(whole[140:144], "little")
    packer = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    bomb = packer.compress(bytes(2**26)) + packer.flush()
    path = tmp_path / "bomb.dcm"
    path.write_bytes(whole[:start] + bomb)
    assert outcome(path) == {"damaged-files"}


# ------------------------------------------------------------------------------------------ zips


def zipped(path: Path, members: dict[str, bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, raw in members.items():
            archive.writestr(name, raw)
    return path


@pytest.mark.parametrize(
    "name", ["../../evil.dcm", "/etc/evil.dcm", "a/../../evil.dcm", "..\\evil.dcm", "C:\\evil.dcm"]
)
def test_zip_that_climbs_out(tmp_path: Path, name: str) -> None:
    path = zipped(tmp_path / "x.zip", {name: as_bytes(ct_slice(PLAIN, 0))})
    assert outcome(path) == {"unsafe-zip"}
    assert sorted(tmp_path.iterdir()) == [path]


def test_zip_that_explodes(tmp_path: Path) -> None:
    path = zipped(tmp_path / "bomb.zip", {"a.dcm": bytes(2**22)})
    raw = bytearray(path.read_bytes())
    directory = raw.rindex(b"PK\x01\x02")
    raw[directory + 24 : directory + 28] = struct.pack("<L", 2**31)  # what it would unpack to
    path.write_bytes(raw)
    assert outcome(path) == {"zip-bomb"}


def test_zip_whose_member_is_longer_than_it_says(tmp_path: Path) -> None:
    """The directory promises a short file; what is packed is long. Only the promise is read."""
    path = zipped(tmp_path / "x.zip", {"a.dcm": bytes(2**24)})
    raw = bytearray(path.read_bytes())
    directory = raw.rindex(b"PK\x01\x02")
    raw[directory + 24 : directory + 28] = struct.pack("<L", 1000)
    path.write_bytes(raw)
    assert outcome(path) <= {"no-images", "damaged-files"}


def test_zip_with_a_link(tmp_path: Path) -> None:
    path = tmp_path / "x.zip"
    with zipfile.ZipFile(path, "w") as archive:
        info = zipfile.ZipInfo("link.dcm")
        info.external_attr = 0o120777 << 16
        archive.writestr(info, "/etc/passwd")
    assert outcome(path) == {"only-links"}


def test_zip_with_a_password(tmp_path: Path) -> None:
    path = zipped(tmp_path / "x.zip", {"a.dcm": b"secret"})
    raw = bytearray(path.read_bytes())
    raw[6] |= 1
    raw[raw.rindex(b"PK\x01\x02") + 8] |= 1
    path.write_bytes(raw)
    assert outcome(path) == {"encrypted-zip"}


@pytest.mark.parametrize("keep", [30, 2000])
def test_zip_cut_short(tmp_path: Path, keep: int) -> None:
    path = zipped(tmp_path / "x.zip", {f"{k}.dcm": as_bytes(ct_slice(PLAIN, k)) for k in range(PLAIN.n)})
    path.write_bytes(path.read_bytes()[:keep])
    assert outcome(path) == {"damaged-zip"}


def test_zip_with_a_spoilt_member(tmp_path: Path) -> None:
    path = zipped(tmp_path / "x.zip", {f"{k}.dcm": as_bytes(ct_slice(PLAIN, k)) for k in range(PLAIN.n)})
    raw = bytearray(path.read_bytes())
    middle = raw.index(b"3.dcm") + 40
    raw[middle : middle + 60] = bytes(60)
    path.write_bytes(raw)
    assert outcome(path) & {"missing-slices", "decoding-failed", "truncated-file"}


def test_empty_zip(tmp_path: Path) -> None:
    assert outcome(zipped(tmp_path / "x.zip", {})) == {"empty-folder"}


def test_zip_inside_a_zip_is_not_opened(tmp_path: Path) -> None:
    inner = zipped(tmp_path / "inner.zip", {"a.dcm": as_bytes(ct_slice(PLAIN, 0))})
    told = {"no-images", "zips-inside"}
    assert outcome(zipped(tmp_path / "x.zip", {"inner.zip": inner.read_bytes()})) == told


def test_zips_of_a_folder_are_opened_where_nothing_else_serves(tmp_path: Path) -> None:
    """A folder as a portal hands it out: a captured page in the open, the series themselves as zips."""
    page = ct_slice(PLAIN, 0)
    page.Modality = "MR"
    (tmp_path / "page.dcm").write_bytes(as_bytes(page))
    slices = {f"{k}.dcm": as_bytes(ct_slice(PLAIN, k)) for k in range(PLAIN.n)}
    alone = read_scan(zipped(tmp_path / "series.zip", slices))
    (tmp_path / "notes.zip").write_bytes(b"PK\x03\x04 no zip at all")
    scan = read_scan(tmp_path)
    assert scan.digest == alone.digest
    assert {"zips-opened", "zips-inside", "series-chosen"} <= {problem.code for problem in scan.problems}
    assert read_files(scan.source_files).digest == alone.digest
    assert len(list_series(tmp_path)) == 2


def test_images_of_a_zip_are_found_again_whatever_way_their_names_are_written(tmp_path: Path) -> None:
    slices = {f"./a//{k}.dcm": as_bytes(ct_slice(PLAIN, k)) for k in range(PLAIN.n)}
    scan = read_scan(zipped(tmp_path / "x.zip", slices))
    assert read_files(scan.source_files).digest == scan.digest


def test_zips_of_two_patients_are_not_mixed(tmp_path: Path) -> None:
    for name in ("A", "B"):
        slices = [ct_slice(PLAIN, k) for k in range(PLAIN.n)]
        for one in slices:
            one.PatientID = name
        zipped(tmp_path / f"{name}.zip", {f"{k}.dcm": as_bytes(one) for k, one in enumerate(slices)})
    assert "several-patients" in outcome(tmp_path)


def test_zips_beside_a_series_in_the_open_stay_shut(tmp_path: Path) -> None:
    write_series(tmp_path, PLAIN)
    zipped(tmp_path / "other.zip", {"a.dcm": as_bytes(ct_slice(PLAIN, 0))})
    told = {problem.code for problem in read_scan(tmp_path).problems}
    assert "zips-inside" in told
    assert "zips-opened" not in told


def test_a_folder_of_broken_zips_only_says_that_they_were_not_opened(tmp_path: Path) -> None:
    (tmp_path / "x.zip").write_bytes(b"PK\x03\x04 no zip at all")
    assert outcome(tmp_path) == {"no-images", "zips-inside"}


# ---------------------------------------------------------------------------------------- folders


def test_links_and_pipes_in_the_folder_are_not_opened(tmp_path: Path) -> None:
    folder = write_series(tmp_path / "ct", PLAIN)
    os.mkfifo(folder / "pipe.dcm")
    (folder / "round").symlink_to(folder, target_is_directory=True)
    (folder / "out.dcm").symlink_to("/etc/hostname")
    (folder / "nowhere.dcm").symlink_to(folder / "missing")
    with socket.socket(socket.AF_UNIX) as listener:
        os.chdir(folder)  # the path of a socket must be short
        listener.bind("s")
        scan = read_scan(folder)
    assert worst_hu(scan) <= 0.501
    assert "links-skipped" in codes(scan)
    assert len(scan.source_files) == PLAIN.n


@pytest.fixture(autouse=True)
def same_working_folder() -> Iterator[None]:
    """Return to the working folder after a test that leaves it."""
    before = Path.cwd()
    yield
    os.chdir(before)


def test_a_folder_of_links_only(tmp_path: Path) -> None:
    source = write_series(tmp_path / "ct", PLAIN)
    links = tmp_path / "links"
    links.mkdir()
    for path in source.iterdir():
        (links / path.name).symlink_to(path)
    assert outcome(links) == {"only-links"}


def test_a_pipe_or_device_as_path(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    assert outcome(tmp_path / "pipe") == {"not-a-file"}
    assert outcome(Path("/dev/zero")) == {"not-a-file"}


def test_very_deep_folders(tmp_path: Path) -> None:
    folder = tmp_path
    for _ in range(120):
        folder = folder / "d"
        folder.mkdir()
    (folder / "x.dcm").write_bytes(as_bytes(ct_slice(PLAIN, 0)))
    assert outcome(tmp_path) == {"empty-folder"}


def test_wrong_paths(tmp_path: Path) -> None:
    assert outcome(tmp_path / "missing") == {"no-such-path"}
    assert outcome(tmp_path) == {"empty-folder"}
    (tmp_path / "note.txt").write_text("no CT")
    assert outcome(tmp_path) == {"no-images"}
    assert outcome(tmp_path / "note.txt") == {"no-images"}
    assert outcome(tmp_path / "note.txt" / "below") == {"no-such-path"}
    assert outcome(Path("a\0b")) <= {"no-such-path", "unreadable"}


# ----------------------------------------------------------------------------------- volume files


def nifti_head(dims: tuple[int, int, int], code: int = 4) -> bytes:
    raw = bytearray(352)
    raw[0:4] = struct.pack("<i", 348)
    raw[40:56] = struct.pack("<8h", 3, *dims, 1, 1, 1, 1)
    raw[70:74] = struct.pack("<2h", code, 16)
    raw[76:92] = struct.pack("<4f", 1, 1, 1, 1)
    raw[108:112] = struct.pack("<f", 352)
    raw[252:256] = struct.pack("<2h", 0, 1)
    raw[280:328] = struct.pack("<12f", 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0)
    raw[344:348] = b"n+1\0"
    return bytes(raw)


@pytest.mark.parametrize(
    ("dims", "code", "expected"),
    [
        ((32767, 32767, 32767), 4, "too-large"),
        ((4000, 4000, 100), 4, "truncated-file"),
        ((-5, 10, 10), 4, "single-slice"),
        ((10, 10, 10), 128, "bad-volume-file"),
    ],
)
def test_hostile_nifti(tmp_path: Path, dims: tuple[int, int, int], code: int, expected: str) -> None:
    path = tmp_path / "x.nii"
    path.write_bytes(nifti_head(dims, code) + bytes(1000))
    assert outcome(path) == {expected}


def test_packed_volume_that_explodes(tmp_path: Path) -> None:
    path = tmp_path / "x.nii.gz"
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    out = io.BytesIO(packer.compress(nifti_head((2000, 2000, 400))))
    out.seek(0, io.SEEK_END)
    out.write(packer.compress(bytes(2**20)))
    out.write(packer.flush())
    path.write_bytes(out.getvalue())
    assert outcome(path) == {"zip-bomb"}


@pytest.mark.parametrize("target", ["/etc/hostname", "../secret.raw", "pipe.raw", "link.raw", "missing.raw"])
@pytest.mark.parametrize("kind", ["mhd", "nhdr"])
def test_detached_data_must_lie_beside(tmp_path: Path, target: str, kind: str) -> None:
    (tmp_path / "secret.raw").write_bytes(bytes(2000))
    folder = tmp_path / "v"
    folder.mkdir()
    os.mkfifo(folder / "pipe.raw")
    (folder / "link.raw").symlink_to(tmp_path / "secret.raw")
    mhd = (
        "NDims = 3\nDimSize = 5 5 5\nElementType = MET_SHORT\nElementSpacing = 1 1 1\nOffset = 0 0 0\n"
        f"TransformMatrix = 1 0 0 0 1 0 0 0 1\nElementDataFile = {target}\n"
    )
    nhdr = (
        "NRRD0004\ntype: short\ndimension: 3\nspace: left-posterior-superior\nsizes: 5 5 5\nendian: little\n"
        "space directions: (1,0,0) (0,1,0) (0,0,1)\nencoding: raw\nspace origin: (0,0,0)\n"
        f"data file: {target}\n"
    )
    path = folder / f"x.{kind}"
    path.write_text(mhd if kind == "mhd" else nhdr)
    assert outcome(path) == {"bad-volume-file"}


@pytest.mark.parametrize("name", ["x.nii", "x.nii.gz", "x.nrrd", "x.nhdr", "x.mha", "x.mhd"])
@pytest.mark.parametrize("raw", [b"", b"\0" * 400, b"NRRD0004\n" * 50, b"NDims = 3\n" * 50], ids=str)
def test_nonsense_volume_files(tmp_path: Path, name: str, raw: bytes) -> None:
    path = tmp_path / name
    path.write_bytes(raw)
    assert outcome(path) == {"bad-volume-file"}
