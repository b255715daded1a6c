"""3MF packages made to cost memory, time or trust: refused by a stated limit, or read in bounded work.

Sources: 3MF core specification 1.3 (no document type definition; name spaces), ECMA-376 part 2 (stored or deflated, not
encrypted).
"""

import io
import re
import tracemalloc
import zipfile

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lightlathe.errors import MeshError
from lightlathe.part import limits, read_surface
from lightlathe.part import package as archives
from mesh_samples import (
    MESH,
    OBJECT,
    OLD,
    RELATIONS,
    model,
    package,
    tree,
)

ONE = '<item objectid="1"/>'
PRODUCTION = 'xmlns:p="http://schemas.microsoft.com/3dmanufacturing/production/2015/06"'


def test_the_name_space_of_2013_holds_the_same_objects(read):
    part = read("old.3mf", package(model(OBJECT, '<item objectid="1" transform="1 0 0 0 1 0 0 0 1 7 0 0"/>', OLD)))
    np.testing.assert_allclose(part.bounds_mm, [[7, 0, 0], [9, 3, 4]])


def test_another_name_space_is_named(read):
    with pytest.raises(MeshError, match=r"begins with <'model'> of 'http://example\.org/x'; expected http"):
        read("other.3mf", package(model(OBJECT, ONE, "http://example.org/x")))


def test_three_thousand_components_deep(read):
    assert read("deep.3mf", package(tree(3000, 1))).volume_mm3 == pytest.approx(24)


@pytest.mark.parametrize("levels", [10, 2000])
def test_more_uses_than_memory_holds_are_counted_not_made(read, levels):
    said = "120000000000 triangles" if levels == 10 else r"more than 10\^15 triangles"
    with pytest.raises(MeshError, match=rf"t\.3mf: its build places {said}.* up to 10000000 are read"):
        read("t.3mf", package(tree(levels, 10)))
    empty = OBJECT.replace(MESH, "<mesh><vertices/><triangles/></mesh>")
    with pytest.raises(MeshError, match=r"objects and components.* up to 100000 are read"):
        read("t.3mf", package(tree(levels, 10, empty)))


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_counted_is_what_is_placed(tmp_path_factory, data):
    """Any tree of components: as many boxes as a plain walk through it finds."""
    children = [[]] + [data.draw(st.lists(st.integers(0, n - 1), min_size=1, max_size=3)) for n in range(1, 5)]

    def boxes(n: int) -> int:
        return 1 if n == 0 else sum(boxes(c) for c in children[n])

    uses = [
        f'<object id="{n + 1}"><components>'
        + "".join(
            f'<component objectid="{c + 1}" transform="1 0 0 0 1 0 0 0 1 {5 * 4**n * k} 0 0"/>'
            for k, c in enumerate(us)
        )
        + "</components></object>"
        for n, us in enumerate(children)
        if n
    ]
    path = tmp_path_factory.mktemp("tree") / "tree.3mf"
    path.write_bytes(package(model(OBJECT + "".join(uses), '<item objectid="5"/>')))
    assert read_surface(path).volume_mm3 == pytest.approx(24 * boxes(4))


@pytest.mark.parametrize(
    ("xml", "message"),
    [
        (model(OBJECT.replace('v3="3"', f'v3="{"9" * 400}"'), ONE), r"v3 of a triangle is '9+ \.\.\. \(402 char"),
        (model(OBJECT.replace('v3="3"', f'v3="{"9" * 9000}"'), ONE), r"v3 of a triangle is '9+ \.\.\. \(9002 char"),
        (model(OBJECT.replace('v3="3"', 'v3="-1"'), ONE), "v3 of a triangle is '-1'; expected the number of a vertex"),
        (model(OBJECT.replace('x="2"', 'x="2_0"'), ONE), "line 1: cannot be read as 3MF: x is '2_0'; expected"),
        (model(OBJECT + OBJECT, ONE), "object '1' appears twice"),
        (model("<a>" * 5000 + "</a>" * 5000, ONE), "more than 100 tags inside each other"),
        (model("".join(f'<object id="{n}"/>' for n in range(100_001)), ONE), "more than 100000 objects"),
        (
            model(OBJECT, ONE, before='<!DOCTYPE l [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]>'),
            r"declares a document type \(DTD\), which 3MF forbids",
        ),
        (model(OBJECT, ONE, before='<!DOCTYPE l SYSTEM "file:///etc/passwd">'), "declares a document type"),
        (model(OBJECT, '<item objectid="1" p:path="/../../secret.model"/>', attributes=PRODUCTION), "does not hold"),
        (
            model('<object id="1"><components><component objectid="2"/></components></object>'
                  '<object id="2"><components><component objectid="1"/></components></object>', ONE),
            "object '1' contains itself",
        ),
    ],
)  # fmt: skip
def test_hostile_xml(read, tmp_path, xml, message):
    (tmp_path.parent / "secret.model").write_text(model(OBJECT, ONE))
    with pytest.raises(MeshError, match=message) as caught:
        read("h.3mf", package(xml))
    assert "h.3mf" in str(caught.value)
    assert len(str(caught.value)) < 500


def test_a_tag_without_end(read):
    """Two million attributes: the XML reader would hold them all before it says a word."""
    with pytest.raises(MeshError, match="more than 4000000 bytes in one tag"):
        read("h.3mf", package(model(OBJECT, ONE, attributes="".join(f"a{n}='' " for n in range(600_000))), 0))


def test_a_zip_bomb_takes_no_memory(read):
    """60 MB of blanks, 60 kB packed: stopped at 20 MB, a piece at a time."""
    data = package(model(OBJECT, ONE).replace("</model>", " " * 60_000_000 + "</model>"))
    assert len(data) < 100_000
    tracemalloc.start()
    try:
        with pytest.raises(MeshError, match=r"unpacks to more than 200 times its \d+ bytes; no mesh does"):
            read("bomb.3mf", data)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 5_000_000  # the file twice, pieces of 64 kB, and what the reader's own modules take on first import


def test_all_parts_together_are_bounded(read, monkeypatch):
    monkeypatch.setattr(archives, "MAX_UNPACKED", 1500)
    with pytest.raises(MeshError, match=r"unpacks to more than 1.5e-06 GB of XML"):
        read("big.3mf", package(model(OBJECT + OBJECT.replace('id="1"', 'id="2"'), ONE)))


def entries(flag: int = 0, method: int | None = None) -> bytes:
    """A package whose entries claim a flag bit or a compression method (APPNOTE.TXT 6.3.10, 4.3.7 and 4.3.12)."""
    data = bytearray(package(model(OBJECT, ONE)))
    for mark, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        for found in re.finditer(re.escape(mark), bytes(data)):
            data[found.start() + at] |= flag
            if method is not None:
                data[found.start() + at + 2] = method
    return bytes(data)


def twice() -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        archive.writestr("_rels/.rels", RELATIONS)
        for name in ("3D/m.model", "3D/M.MODEL"):
            archive.writestr(name, model(OBJECT, ONE))
    return file.getvalue()


def many() -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        for n in range(10_001):
            archive.writestr(str(n), "")
    return file.getvalue()


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (entries(flag=1), r"'_rels/\.rels' is encrypted; expected a 3MF without a password"),
        (entries(method=99), "is packed by method 99; 3MF packages are stored"),
        (package(model(OBJECT, ONE), zipfile.ZIP_BZIP2), "is packed by method 12"),
        (package(model(OBJECT, ONE), zipfile.ZIP_LZMA), "is packed by method 14"),
        (twice(), "which it holds 2 times"),
        (many(), "holds 10001 files; a 3MF package is read up to 10000"),
        (package(model(OBJECT, ONE), relations="<a/>"), "begins with <'a'> of"),
        (b"PK\x05\x06" + bytes(18), "names the part '_rels/.rels', which it does not hold"),
        (b"no zip at all", "cannot be read as 3MF: the archive: BadZipFile"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_hostile_archives(read, data, message):
    with pytest.raises(MeshError, match=message):
        read("h.3mf", data)


def test_a_disk_that_fails_inside_the_archive(read, monkeypatch):
    def fails(*_):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(zipfile.ZipExtFile, "read", fails)
    with pytest.raises(MeshError, match=r"h\.3mf cannot be read as 3MF: '_rels/.rels': OSError: .*Input/output error"):
        read("h.3mf", package(model(OBJECT, ONE)))


def test_real_meshes_pack_far_below_the_ratio_of_a_bomb(shared_meshes):
    """The limit of 200 leaves real packages a factor of five at least: no sound part is taken for a bomb."""
    packed = [info for path in shared_meshes.glob("*.3mf") for info in zipfile.ZipFile(path).infolist()]
    assert len(packed) > 10
    assert max(i.file_size / max(i.compress_size, 1) for i in packed) < limits.MAX_RATIO / 5
