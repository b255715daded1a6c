"""Makes the three example parts beside this file: python configs/meshes/make_meshes.py

Needs the packages manifold3d, scikit-image and trimesh. All lengths mm, z along the turning axis, own work.
"""

from pathlib import Path

import manifold3d
import numpy as np
import trimesh
from manifold3d import CrossSection, Manifold, Mesh
from skimage.measure import marching_cubes

HERE = Path(__file__).parent


def rod(radius: float, low: float, high: float, top_radius: float | None = None) -> Manifold:
    """A cylinder or cone about z between two heights."""
    return Manifold.cylinder(high - low, radius, radius if top_radius is None else top_radius, 72).translate(
        [0, 0, low]
    )


def block(low: tuple[float, float, float], high: tuple[float, float, float]) -> Manifold:
    return Manifold.cube(np.subtract(high, low)).translate(low)


def check_valve() -> Manifold:
    """A caged-ball check valve, 8 x 8 x 8: seat with a bore, four posts, a stop ring with a cross, a loose ball.

    The ball (radius 2) hangs 0.6 to 0.8 clear of everything: it must come out loose.
    """
    seat = rod(4.0, -4.0, -2.6) - rod(1.2, -4.1, -2.5) - rod(1.2, -3.4, -2.6, top_radius=2.0)
    stop = rod(4.0, 2.8, 4.0) - rod(2.9, 2.7, 4.1)
    bar = block((-3.2, -0.45, 2.8), (3.2, 0.45, 4.0))
    post = block((2.8, -0.6, -2.7), (3.9, 0.6, 2.9))
    posts = sum((post.rotate([0, 0, 45 + 90 * q]) for q in range(4)), Manifold())
    ball = Manifold.sphere(2.0, 72)
    return seat + posts + stop + bar + bar.rotate([0, 0, 90]) + ball


def gyroid(cell: float = 4.0, wall: float = 0.5, step: float = 0.28) -> Manifold:
    """A gyroid sheet of even thickness in a cylinder, 8 across and 6 high.

    The sheet is where |G| / |grad G| < wall / 2, G = sin x cos y + sin y cos z + sin z cos x: to first order the points
    within half a wall of G = 0.
    """
    half = np.array([4.4, 4.4, 3.4])
    axes = [np.arange(-h, h + step / 2, step) for h in half]
    x, y, z = (2 * np.pi / cell * a for a in np.meshgrid(*axes, indexing="ij"))
    g = np.sin(x) * np.cos(y) + np.sin(y) * np.cos(z) + np.sin(z) * np.cos(x)
    gx = np.cos(x) * np.cos(y) - np.sin(z) * np.sin(x)
    gy = np.cos(y) * np.cos(z) - np.sin(x) * np.sin(y)
    gz = np.cos(z) * np.cos(x) - np.sin(y) * np.sin(z)
    distance = g / np.sqrt(gx**2 + gy**2 + gz**2) * cell / (2 * np.pi)
    inside = wall / 2 - np.abs(distance)
    points, faces, _, _ = marching_cubes(np.pad(inside, 1, constant_values=-wall), 0.0, spacing=(step,) * 3)
    points = points - (half + step)
    sheet = Manifold(Mesh(points.astype(np.float32), faces[:, ::-1].astype(np.uint32)))
    if sheet.volume() < 0:
        raise SystemExit("the gyroid came out inside out")
    return (sheet ^ rod(4.0, -3.0, 3.0)).simplify(0.012)


def flow_cell() -> Manifold:
    """A flow-cell insert, 10 x 7 x 3.4: a U-shaped channel 1.3 wide and 1.2 high, two ports on top."""
    outline = CrossSection.square([8.0, 5.0], True).offset(1.0, manifold3d.JoinType.Round, circular_segments=48)
    plate = Manifold.extrude(outline, 3.4).translate([0, 0, -1.7])
    low, high = -0.6, 0.6
    arms = [block((-3.4, s * 1.6 - 0.65, low), (3.0, s * 1.6 + 0.65, high)) for s in (-1, 1)]
    turn = block((1.7, -2.25, low), (3.0, 2.25, high))
    ports = [rod(0.75, 0.0, 1.8).translate([-3.4 + 0.65, s * 1.6, 0]) for s in (-1, 1)]
    return plate - arms[0] - arms[1] - turn - ports[0] - ports[1]


def write(name: str, solid: Manifold) -> None:
    mesh = solid.to_mesh()
    out = trimesh.Trimesh(mesh.vert_properties[:, :3], mesh.tri_verts)
    out.export(HERE / name)
    size = (HERE / name).stat().st_size / 1e6
    print(f"{name}: {len(out.faces)} facets, {out.volume:.4g} mm3, {np.round(out.extents, 3)} mm, {size:.2f} MB")


if __name__ == "__main__":
    write("check_valve.stl", check_valve())
    write("gyroid.stl", gyroid())
    write("flow_cell.stl", flow_cell())
