"""PLY, OFF, GLB and GLTF, read by trimesh from the file's bytes; header counts are checked before and after."""

import hashlib
import io
import warnings
from pathlib import Path

import numpy as np

from lightlathe.errors import MeshError, shown
from lightlathe.part.facets import Facets
from lightlathe.part.formats import text_lines
from lightlathe.part.limits import MAX_BYTES, MAX_FACETS, MAX_LINE, require_few

MAX_HEADER = 1000  # lines before end_header: elements, properties and remarks
PLAIN = bytes(b if 32 <= b < 127 or b in b"\t\n\r" else ord("?") for b in range(256))


def read_ply(path: Path, data: bytes) -> Facets:
    """PLY, text or binary; the header's counts are checked against the file's bytes and the facets that came."""
    stated = None
    total = 0
    lines = io.BytesIO(data[: MAX_HEADER * 1000])
    for number in range(MAX_HEADER):
        words = lines.readline().split()
        if words[:1] == [b"element"]:
            count = words[2] if len(words) == 3 and words[2].isdigit() and len(words[2]) < 19 else None
            if count is None:
                raise MeshError(f"{path.name}, line {number + 1}: expected 'element', a name and a count.")
            total += int(count)
            if words[1] == b"face":
                stated = int(count)
        if words[:1] == [b"end_header"]:
            break
    else:
        raise MeshError(f"{path.name} has no 'end_header' in its first {MAX_HEADER} lines; expected a PLY header.")
    if stated is None:
        raise MeshError(f"{path.name} names no faces in its header (a cloud of points?); expected a closed skin.")
    if total > len(data):  # an element takes a byte or more
        raise MeshError(
            f"{path.name}: its header says {total} elements, but it has {len(data)} bytes. Was the copy or download "
            "interrupted?"
        )
    require_few(path.name, stated)
    if b"ascii" in data[:MAX_HEADER].split(b"\n", 2)[1]:
        data = plain_text(path.name, data, 2 * total + MAX_HEADER)
    facets = read_other(path, data)
    _require_all(path.name, stated, len(facets.triangles))
    return facets


def read_off(path: Path, data: bytes) -> Facets:
    """OFF; the header's count of faces is checked against what came."""
    data = plain_text(path.name, data, 3 * MAX_FACETS)
    facets = read_other(path, data)
    head = b" ".join(line.split(b"#")[0] for line in data[:MAX_LINE].splitlines()).partition(b"OFF")
    words = head[2].split(None, 2)  # of vertices, of faces
    if head[0].strip() not in (b"", b"C") or len(words) < 2 or not words[1].isdigit():
        raise MeshError(f"{path.name} does not begin with OFF, a count of vertices and one of faces. Is it damaged?")
    _require_all(path.name, int(words[1]), len(facets.triangles))
    return facets


def plain_text(name: str, data: bytes, most_lines: int) -> bytes:
    """The text with a question mark for each byte that is no ASCII, so that its lines can be counted; they are."""
    data = data.translate(PLAIN)
    for number, _ in text_lines(name, data, "ascii"):
        if number > most_lines:
            raise MeshError(f"{name} has more than {most_lines} lines; its header asks for fewer. Is the file damaged?")
    return data


def _require_all(name: str, stated: int, came: int) -> None:
    if came < stated:
        raise MeshError(
            f"{name}: its header says {stated} faces, but {came} triangles could be read. Was the copy or download "
            "interrupted?"
        )


def read_gltf(path: Path, data: bytes) -> Facets:
    """GLB and GLTF: the description is checked before anything is built from it."""
    from lightlathe.part.gltf import require_sound

    return read_other(path, data, require_sound(path.name, data))


def read_other(path: Path, data: bytes, said: tuple[str, ...] = ()) -> Facets:
    """Whatever trimesh reads: the facets of everything in the scene, each at its place. No pictures are loaded."""
    import trimesh

    beside = _Beside(path)
    try:
        with warnings.catch_warnings(), np.errstate(all="ignore"):
            warnings.simplefilter("ignore")
            warnings.simplefilter("error", DeprecationWarning)  # numpy's word for text that is no number
            scene = trimesh.load_scene(
                io.BytesIO(data),
                file_type=path.suffix.lower().lstrip("."),
                resolver=beside,  # pyright: ignore[reportArgumentType]  # all of it that is asked
                process=False,
                skip_materials=True,
            )
            _look_at(path.name, scene)
            mesh = scene.to_mesh()
            triangles = np.asarray(mesh.triangles, dtype=np.float64)
    except (MeshError, MemoryError):
        raise
    except Exception as error:  # trimesh raises whatever the parser hits
        raise MeshError(
            f"{path.name} cannot be read: {type(error).__name__}: {shown(str(error))}. Is the file damaged?"
        ) from error
    return Facets(triangles, warnings=said, files=beside.files)


def _look_at(name: str, scene) -> None:
    """Refuse what numpy would accept silently, before each mesh is placed."""
    sizes = {}
    for key, mesh in scene.geometry.items():
        faces = getattr(mesh, "faces", np.empty((0, 3)))
        if len(faces) and int(faces.min()) < 0:
            raise MeshError(f"{name}: a face asks for vertex {int(faces.min())}; expected 0 or more. Is it damaged?")
        sizes[key] = len(faces)
    placed = sum(sizes[scene.graph[node][1]] for node in scene.graph.nodes_geometry)
    require_few(name, placed)
    if placed == 0 and sizes:
        raise MeshError(f"{name} holds no facets that its scene shows (0 triangles); expected the skin of a solid.")


class _Beside:
    """Files that a mesh names: only such as lie in its own folder or below. `files` has the SHA-256 of those read."""

    def __init__(self, path: Path) -> None:
        self.name, self.folder = path.name, path.parent.resolve()
        self.files: dict[str, str] = {}

    def get(self, key: str) -> bytes:
        wanted = (self.folder / key).resolve()
        if not wanted.is_relative_to(self.folder):
            raise MeshError(f"{self.name} names the file {shown(key)} outside its own folder; it was not opened.")
        if wanted.stat().st_size > MAX_BYTES:
            raise MeshError(f"{self.name} names the file {shown(key)} of more than {MAX_BYTES} bytes.")
        data = wanted.read_bytes()
        self.files[key] = hashlib.sha256(data).hexdigest()
        return data

    __getitem__ = get
