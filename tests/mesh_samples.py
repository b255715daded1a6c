"""Small sound mesh files of every format, and 3MF parts to damage inside their packages."""

import io
import json
import struct
import zipfile

import numpy as np

CORNERS = [(x, y, z) for x in (0, 2) for y in (0, 3) for z in (0, 4)]
BOX = [  # facets of a box whose corner number is 4 x + 2 y + z, counter-clockwise seen from outside
    (0, 1, 3), (0, 3, 2), (4, 6, 7), (4, 7, 5), (0, 4, 5), (0, 5, 1),
    (2, 3, 7), (2, 7, 6), (0, 2, 6), (0, 6, 4), (1, 5, 7), (1, 7, 3),
]  # fmt: skip
CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
OLD = "http://schemas.microsoft.com/3dmanufacturing/2013/01"
RELATIONS = (
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Target="/3D/m.model" Id="r" Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>'
    "</Relationships>"
)
MESH = (
    "<mesh><vertices>"
    + "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in CORNERS)
    + "</vertices><triangles>"
    + "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in BOX)
    + "</triangles></mesh>"
)
OBJECT = f'<object id="1" type="model">{MESH}</object>'


def triangles() -> np.ndarray:
    return np.array(CORNERS, dtype=float)[np.array(BOX)]


def model(
    resources: str, build: str, space: str = CORE, attributes: str = 'unit="millimeter"', before: str = ""
) -> str:
    return (
        f'{before}<model xmlns="{space}" {attributes}><resources>{resources}</resources><build>{build}</build></model>'
    )


def tree(levels: int, width: int, leaf: str = OBJECT) -> str:
    """Object n + 1 is made of `width` times object n: width^levels uses of the leaf, object 1."""
    uses = (f'<component objectid="{n}"/>' * width for n in range(1, levels + 1))
    above = "".join(f'<object id="{n}"><components>{u}</components></object>' for n, u in enumerate(uses, start=2))
    return model(leaf + above, f'<item objectid="{levels + 1}"/>')


def package(xml: str | bytes, method: int = zipfile.ZIP_DEFLATED, relations: str = RELATIONS, **more: str) -> bytes:
    """A 3MF file; `more` are further parts, by their names."""
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", method) as archive:
        archive.writestr("_rels/.rels", relations)
        archive.writestr("3D/m.model", xml)
        for name, text in more.items():
            archive.writestr(name, text)
    return file.getvalue()


def three_mf() -> list[bytes]:
    shift = '<item objectid="{}" transform="0 1 0 0 0 1 1 0 0 5 0 0"/>'
    plain = model(OBJECT, '<item objectid="1"/>')
    nested = tree(3, 2).replace("</build>", shift.format(1) + "</build>")
    old = model(OBJECT, shift.format(1), OLD)
    return [package(plain), package(nested), package(old, zipfile.ZIP_STORED)]


def repacked(xml: bytes) -> bytes:
    """Damage inside the package: its checksum fits what it holds."""
    return package(xml)


def binary_stl(facets: np.ndarray | None = None, header: bytes = b"made for a test", count: int | None = None) -> bytes:
    facets = triangles() if facets is None else facets
    records = b"".join(struct.pack("<12fH", 0, 0, 0, *t.ravel(), 0) for t in facets)
    return header.ljust(80) + struct.pack("<I", len(facets) if count is None else count) + records


def text_stl(facets: np.ndarray | None = None, name: str = "cube") -> bytes:
    body = "".join(
        "facet normal 0 0 0\n outer loop\n"
        + "".join("  vertex {} {} {}\n".format(*c) for c in t)
        + " endloop\nendfacet\n"
        for t in (triangles() if facets is None else facets).tolist()
    )
    return f"solid {name}\n{body}endsolid {name}\n".encode()


def obj() -> bytes:
    vertices = "".join("v {} {} {}\n".format(*c) for c in CORNERS)
    return (vertices + "f 1/1 2/1 4/1 3/1\n" + "".join(f"f {a + 1} {b - 8} {c + 1}\n" for a, b, c in BOX[2:])).encode()


def ply(form: str = "ascii") -> bytes:
    head = (
        f"ply\nformat {form} 1.0\nelement vertex 8\nproperty float x\nproperty float y\nproperty float z\n"
        "element face 12\nproperty list uchar int vertex_indices\nend_header\n"
    ).encode()
    if form == "ascii":
        rows = ["{} {} {}".format(*c) for c in CORNERS] + ["3 {} {} {}".format(*f) for f in BOX]
        return head + "\n".join(rows).encode() + b"\n"
    order = "<" if "little" in form else ">"
    body = b"".join(struct.pack(order + "3f", *c) for c in CORNERS)
    return head + body + b"".join(struct.pack(order + "B3i", 3, *f) for f in BOX)


def off() -> bytes:
    rows = ["{} {} {}".format(*c) for c in CORNERS] + ["3 {} {} {}".format(*f) for f in BOX]
    return ("OFF\n8 12 0\n" + "\n".join(rows) + "\n").encode()


def gltf(nodes: list[dict] | None = None, roots: list[int] | None = None, **changed) -> bytes:
    """A GLB of 36 corners; `nodes` of its scene, `roots` among them, and tables of the description to change."""
    body = triangles().astype("<f4").tobytes()
    description = {
        "asset": {"version": "2.0"}, "scene": 0, "scenes": [{"nodes": roots or [0]}], "nodes": nodes or [{"mesh": 0}],
        "meshes": [{"primitives": [{"attributes": {"POSITION": 0}}]}],
        "accessors": [{"bufferView": 0, "componentType": 5126, "count": 36, "type": "VEC3"}],
        "bufferViews": [{"buffer": 0, "byteLength": len(body)}], "buffers": [{"byteLength": len(body)}],
    }  # fmt: skip
    text = json.dumps(description | changed).encode()
    text += b" " * (-len(text) % 4)
    length = 12 + 8 + len(text) + 8 + len(body)
    chunks = struct.pack("<I4s", len(text), b"JSON") + text + struct.pack("<I4s", len(body), b"BIN\0") + body
    return struct.pack("<4sII", b"glTF", 2, length) + chunks


SAMPLES: dict[
    str, list[bytes]
] = {  # kind: sound files; the word before the point names the kind, the ending the format
    "package.3mf": three_mf(),
    "model.3mf": [model(OBJECT, '<item objectid="1"/>').encode(), tree(3, 2).encode()],  # damaged inside the package
    "binary.stl": [binary_stl()],
    "text.stl": [text_stl()],
    "faces.obj": [obj()],
    "text.ply": [ply()],
    "binary.ply": [ply("binary_little_endian"), ply("binary_big_endian")],
    "faces.off": [off()],
    "scene.glb": [gltf(), gltf([{"children": [1], "translation": [1, 0, 0]}, {"mesh": 0}])],
}
