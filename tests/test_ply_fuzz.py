"""Whatever the bytes, the reader gives a PlyFile or a ScanReadError, in bounded memory."""

from __future__ import annotations

import tempfile
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from guidecoat.errors import ScanReadError
from guidecoat.formats.ply import PlyFile, read_ply, write_ply
from guidecoat.formats.ply_header import FORMATS, SCALARS

MOST_BYTES = 64 << 20
MANY = settings(
    max_examples=400,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)


def _file(content: bytes) -> Path:
    with tempfile.NamedTemporaryFile(suffix=".ply", delete=False) as file:
        file.write(content)
    return Path(file.name)


def _read(content: bytes) -> PlyFile | None:
    """Read the bytes as a file; None if the reader refuses them in its own words."""
    path = _file(content)
    tracemalloc.start()
    message = f"{path.name}; "
    try:
        read = read_ply(path)
    except ScanReadError as error:
        read, message = None, str(error)
    finally:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        path.unlink()
    assert peak < MOST_BYTES
    assert path.name in message
    assert "; " in message
    return read


def _sample(form: str) -> bytes:
    rng = np.random.default_rng(3)
    vertices = np.zeros(12, [("x", "f4"), ("y", "f8"), ("z", "f4"), ("red", "u1"), ("k", "i2")])
    for name in "xyz":
        vertices[name] = rng.normal(0, 100, 12)
    path = _file(b"")
    write_ply(path, vertices, faces=rng.integers(0, 12, (6, 3)), format=form, comments=["door"])
    content = path.read_bytes()
    path.unlink()
    # A second face of four corners takes the walk instead of the table.
    if form == "ascii":
        return content.replace(b"element face 6", b"element face 7") + b"4 0 1 2 3\n"
    order = FORMATS[form]
    quad = b"\x04" + np.arange(4, dtype=order + "i4").tobytes()
    return content.replace(b"element face 6", b"element face 7") + quad


SAMPLES = {form: _sample(form) for form in FORMATS}


@pytest.mark.parametrize("form", FORMATS)
def test_the_sample_itself_is_sound(form: str) -> None:
    read = _read(SAMPLES[form])
    assert read is not None
    assert len(read.vertices) == 12
    assert read.faces is not None
    assert len(read.faces) == 8


@pytest.mark.parametrize("form", FORMATS)
def test_cut_short_anywhere_is_refused(form: str) -> None:
    content = SAMPLES[form]
    # The very last byte of a text may be its line end, which nobody needs.
    last = len(content) - (1 if form == "ascii" else 0)
    # Within the last number of a text a cut cannot be told from a shorter number.
    for end in range(0, last - (1 if form == "ascii" else 0)):
        assert _read(content[:end]) is None, end


numbers = st.one_of(
    st.integers(-3, 30),
    st.sampled_from([2**31 - 1, 2**31, 2**32, 2**63, 2**64, 10**12, 10**17, 10**30, -(10**12)]),
)
words = st.text("abcxyz_-0123456789.²é", max_size=6)
types = st.one_of(st.sampled_from([*SCALARS, "int64", "long"]), words)
names = st.one_of(
    st.sampled_from(["x", "y", "z", "nx", "vertex_indices", "vertex_index", "red"]), words
)
header_lines = st.one_of(
    st.builds("element {} {}".format, st.sampled_from(["vertex", "face", "edge", "x"]), numbers),
    st.builds("property {} {}".format, types, names),
    st.builds("property list {} {} {}".format, types, types, names),
    st.sampled_from(["property float x", "property float y", "property double z", "comment a", ""]),
    st.builds("{} {}".format, words, words),
)
bodies = st.one_of(
    st.binary(max_size=400),
    st.lists(st.one_of(numbers.map(str), words, st.sampled_from(["\n", "nan", "1e999"])))
    .map(" ".join)
    .map(str.encode),
)


@MANY
@given(
    form=st.sampled_from([*FORMATS, "binary"]),
    lines=st.lists(header_lines, max_size=14),
    body=bodies,
    newline=st.sampled_from(["\n", "\r\n", "\r"]),
)
@example("ascii", ["element edge 1000000000000000", "element vertex 0"], b"", "\n")
def test_any_header(form: str, lines: list[str], body: bytes, newline: str) -> None:
    text = newline.join(["ply", f"format {form} 1.0", *lines, "end_header", ""])
    read = _read(text.encode() + body)
    assert read is None or set("xyz") <= set(read.vertices.dtype.names or ())


@MANY
@given(
    before=st.lists(st.builds("property {} {}".format, st.sampled_from([*SCALARS]), words)),
    lists=st.builds(
        "property list {} {} {}".format,
        st.sampled_from([*SCALARS]),
        st.sampled_from([*SCALARS]),
        st.sampled_from(["vertex_indices", "other"]),
    ),
    count=numbers,
    faces=numbers,
    form=st.sampled_from([*FORMATS]),
    body=bodies,
)
def test_nearly_right_headers(
    before: list[str], lists: str, count: int, faces: int, form: str, body: bytes
) -> None:
    lines = ["ply", f"format {form} 1.0", f"element vertex {count}", *before]
    lines += ["property float x", "property float y", "property short z"]
    lines += [f"element face {faces}", lists, "end_header", ""]
    read = _read("\n".join(lines).encode() + body)
    assert read is None or len(read.vertices) == count


@MANY
@given(form=st.sampled_from([*FORMATS]), data=st.data())
def test_a_sound_file_with_a_few_bytes_changed(form: str, data: st.DataObject) -> None:
    content = bytearray(SAMPLES[form])
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(content) - 1))
        change = data.draw(st.binary(max_size=3))
        content[at : at + data.draw(st.integers(0, 3))] = change
    _read(bytes(content))


@MANY
@given(content=st.binary(max_size=200), ply=st.booleans())
def test_any_bytes(content: bytes, ply: bool) -> None:
    assert _read((b"ply\n" if ply else b"") + content) is None
