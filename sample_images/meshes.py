"""Shapes of debris as closed triangle meshes, in millimetres, resting on the plane z = 0.

Axes: x right, y away from the viewer's feet, z up from the paper (right-handed). Card coordinates are (x,
-y).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Mesh:
    """A closed surface: vertices (n, 3) mm, faces (m, 3) counter-clockwise from outside."""

    vertices: Floats
    faces: Ints


def icosphere(level: int) -> Mesh:
    """Unit sphere of 20 * 4**level triangles."""
    golden = (1 + 5**0.5) / 2
    corners = [(-1, golden, 0), (1, golden, 0), (-1, -golden, 0), (1, -golden, 0)]
    vertices = np.array(
        corners + [(c, a, b) for a, b, c in corners] + [(b, c, a) for a, b, c in corners], float
    )
    faces = hull_faces(vertices)
    for _ in range(level):
        vertices, faces = _split_faces(vertices, faces)
    return Mesh(vertices / np.linalg.norm(vertices, axis=1, keepdims=True), faces)


def _split_faces(vertices: Floats, faces: Ints) -> tuple[Floats, Ints]:
    edges = np.sort(faces[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1)
    unique, inverse = np.unique(edges, axis=0, return_inverse=True)
    middles = vertices[unique].mean(axis=1)
    middles /= np.linalg.norm(middles, axis=1, keepdims=True) / np.linalg.norm(vertices[0])
    ab, bc, ca = (inverse.reshape(-1, 3) + len(vertices)).T
    a, b, c = faces.T
    split = np.stack([a, ab, ca, b, bc, ab, c, ca, bc, ab, bc, ca], axis=1).reshape(-1, 3)
    return np.vstack([vertices, middles]), split


def hull_faces(points: Floats) -> Ints:
    """Triangles of the convex hull, turned to face outwards."""
    from scipy.spatial import ConvexHull

    hull = ConvexHull(points)
    faces = hull.simplices.astype(np.int64)
    corners = points[faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    inward = np.einsum("ij,ij->i", normals, hull.equations[:, :3]) < 0
    faces[inward] = faces[inward][:, ::-1]
    return np.asarray(faces)


def smooth_noise(points: Floats, rng: np.random.Generator, scale: float, octaves: int = 3) -> Floats:
    """Sum of random plane waves at each point: mean 0, deviation 1; `scale` in the points' unit."""
    total = np.zeros(len(points))
    weight = 0.0
    for octave in range(octaves):
        waves = rng.normal(size=(6, 3)) * 2**octave / scale
        amplitude = 0.6**octave
        total += amplitude * np.cos(points @ waves.T + rng.uniform(0, 2 * np.pi, 6)).sum(axis=1)
        weight += 3 * amplitude**2
    return np.asarray(total / weight**0.5)


def angular_grain(rng: np.random.Generator, axes: tuple[float, float, float]) -> Mesh:
    """Crushed grain: the flat-faced hull of random points near an ellipsoid."""
    count = int(rng.integers(14, 30))
    directions = rng.normal(size=(count, 3))
    directions /= np.linalg.norm(directions, axis=1, keepdims=True)
    points = directions * rng.uniform(0.8, 1.1, (count, 1)) * np.array(axes)
    faces = hull_faces(points)
    used, renumbered = np.unique(faces, return_inverse=True)
    return Mesh(points[used], renumbered.reshape(-1, 3))


def lumpy_grain(rng: np.random.Generator, axes: tuple[float, float, float], roughness: float) -> Mesh:
    """Rounded or crumbly grain: an ellipsoid with smooth bumps; `roughness` is the bumps' relative height."""
    ball = icosphere(3)
    bumps = 1 + roughness * smooth_noise(ball.vertices, rng, scale=0.7)
    return Mesh(ball.vertices * np.clip(bumps, 0.4, 1.6)[:, None] * np.array(axes), ball.faces)


def flake(
    rng: np.random.Generator, length: float, width: float, thickness: float, curl: float, jagged: float
) -> Mesh:
    """Thin sheet of ragged outline, bent about a random axis by `curl` radians over its length."""
    rings, sectors = 7, 48
    angle = np.arange(sectors) * 2 * np.pi / sectors
    circle = np.stack([np.cos(angle), np.sin(angle), np.zeros(sectors)], axis=1)
    outline = np.clip(1 + jagged * smooth_noise(circle, rng, scale=0.6, octaves=4), 0.35, 1.7)
    radius = np.linspace(0, 1, rings + 1)[1:]
    plane = np.vstack([[0, 0], (radius[:, None, None] * (circle[:, :2] * outline[:, None])).reshape(-1, 2)])
    plane *= np.array([length, width]) / 2
    top = np.column_stack([plane, np.zeros(len(plane))])
    ripple = smooth_noise(top / length, rng, scale=0.35, octaves=2)
    half = thickness / 2 * (1 + 0.25 * smooth_noise(top / length, rng, scale=0.15, octaves=2))
    middle = _bend(top, rng.uniform(0, np.pi), curl / length) + np.outer(
        0.03 * length * ripple * curl, [0, 0, 1]
    )
    vertices = np.vstack([middle + half[:, None] * [0, 0, 1], middle - half[:, None] * [0, 0, 1]])
    return Mesh(vertices, _sheet_faces(rings, sectors))


def _bend(points: Floats, direction: float, curvature: float) -> Floats:
    if abs(curvature) < 1e-9:
        return points
    along = points[:, 0] * np.cos(direction) + points[:, 1] * np.sin(direction)
    across = -points[:, 0] * np.sin(direction) + points[:, 1] * np.cos(direction)
    bent = np.sin(along * curvature) / curvature
    rise = (1 - np.cos(along * curvature)) / curvature
    x = bent * np.cos(direction) - across * np.sin(direction)
    y = bent * np.sin(direction) + across * np.cos(direction)
    return np.column_stack([x, y, points[:, 2] + rise])


def _sheet_faces(rings: int, sectors: int) -> Ints:
    here = np.arange(sectors)
    after = (here + 1) % sectors
    fan = [np.column_stack([np.zeros(sectors, int), 1 + here, 1 + after])]
    for ring in range(rings - 1):
        inner, outer = 1 + ring * sectors, 1 + (ring + 1) * sectors
        fan.append(np.column_stack([inner + here, outer + here, outer + after]))
        fan.append(np.column_stack([inner + here, outer + after, inner + after]))
    top = np.vstack(fan)
    count = 1 + rings * sectors
    rim = count - sectors
    wall = [
        np.column_stack([rim + here, count + rim + here, count + rim + after]),
        np.column_stack([rim + here, count + rim + after, rim + after]),
    ]
    return np.vstack([top, top[:, ::-1] + count, *wall])


def tube(line: Floats, radius: float | Floats, sides: int = 10) -> Mesh:
    """Round bar along a centre line (n, 3) mm, closed by a point at each end."""
    tangent = np.gradient(line, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    side = np.cross(tangent, [0.0, 0.0, 1.0])
    side /= np.linalg.norm(side, axis=1, keepdims=True)
    up = np.cross(side, tangent)
    turn = np.arange(sides) * 2 * np.pi / sides
    radii = np.broadcast_to(np.asarray(radius, float), len(line))[:, None, None]
    ring = np.cos(turn)[:, None] * side[:, None, :] + np.sin(turn)[:, None] * up[:, None, :]
    body = (line[:, None, :] + radii * ring).reshape(-1, 3)
    here = np.arange(sides)
    after = (here + 1) % sides
    faces = []
    for step in range(len(line) - 1):
        a, b = step * sides, (step + 1) * sides
        faces += [
            np.column_stack([a + here, b + here, b + after]),
            np.column_stack([a + here, b + after, a + after]),
        ]
    first, last = len(body), len(body) + 1
    end = (len(line) - 1) * sides
    faces += [np.column_stack([np.full(sides, first), here, after])]
    faces += [np.column_stack([np.full(sides, last), end + after, end + here])]
    mesh = Mesh(np.vstack([body, line[:1], line[-1:]]), np.vstack(faces))
    return mesh if signed_volume(mesh) > 0 else Mesh(mesh.vertices, mesh.faces[:, ::-1])


def wandering_line(rng: np.random.Generator, length: float, bends: float, lift: float) -> Floats:
    """Centre line (n, 3) mm that wanders over the plane; `bends` radians of turning, `lift` mm of rise."""
    steps = 80
    s = np.linspace(0, 1, steps)
    turning = sum(
        rng.normal() / k * np.sin(2 * np.pi * k * s / 2 + rng.uniform(0, 2 * np.pi)) for k in range(1, 5)
    )
    heading = rng.uniform(0, 2 * np.pi) + bends * np.asarray(turning)
    ds = length / (steps - 1)
    middle = (heading[:-1] + heading[1:]) / 2
    x = np.concatenate([[0], np.cumsum(np.cos(middle) * ds)])
    y = np.concatenate([[0], np.cumsum(np.sin(middle) * ds)])
    z = lift * 0.5 * (1 - np.cos(2 * np.pi * (s * rng.uniform(0.5, 2.0) + rng.uniform())))
    return np.column_stack([x - x.mean(), y - y.mean(), z - z.min()])


def ribbon(rng: np.random.Generator, length: float, width: float, thickness: float, turns: float) -> Mesh:
    """Cutting chip: a strip wound about an axis that lies along the paper."""
    steps = max(24, int(40 * turns))
    s = np.linspace(0, 1, steps)
    angle = 2 * np.pi * turns * s
    radius = width * rng.uniform(0.7, 1.2) * (1 + 0.2 * s)
    axis = (s - 0.5) * length
    centre = np.column_stack([axis, radius * np.cos(angle), radius * np.sin(angle)])
    out = np.column_stack([np.zeros(steps), np.cos(angle), np.sin(angle)]) * thickness / 2
    along = np.tile([width / 2, 0.0, 0.0], (steps, 1))
    ring = np.stack(
        [centre + along + out, centre - along + out, centre - along - out, centre + along - out], axis=1
    )
    faces = []
    for step in range(steps - 1):
        a, b = 4 * step, 4 * step + 4
        for side in range(4):
            after = (side + 1) % 4
            faces += [[a + side, b + side, b + after], [a + side, b + after, a + after]]
    end = 4 * (steps - 1)
    faces += [[0, 1, 2], [0, 2, 3], [end + 2, end + 1, end], [end + 3, end + 2, end]]
    mesh = Mesh(ring.reshape(-1, 3), np.array(faces))
    return mesh if signed_volume(mesh) > 0 else Mesh(mesh.vertices, mesh.faces[:, ::-1])


def signed_volume(mesh: Mesh) -> float:
    """Enclosed volume in mm^3; negative if the faces point inwards."""
    a, b, c = mesh.vertices[mesh.faces].transpose(1, 0, 2)
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


def at_rest(mesh: Mesh, rng: np.random.Generator, flattest_of: int = 8) -> Mesh:
    """Turn the piece onto one of its own hull faces, as it would lie, then spin it about the vertical.

    Of `flattest_of` random faces the one with the lowest centre of gravity is taken: lower is likelier.
    """
    from scipy.spatial import ConvexHull

    vertices = mesh.vertices - mesh.vertices.mean(axis=0)
    planes = ConvexHull(vertices).equations
    picked = planes[rng.choice(len(planes), min(flattest_of, len(planes)), replace=False)]
    down = picked[np.argmin(-picked[:, 3]), :3]
    turned = vertices @ _frame_with_z(-down).T
    return dropped(spun(Mesh(turned, mesh.faces), rng.uniform(0, 2 * np.pi)))


def _frame_with_z(z: Floats) -> Floats:
    helper = np.array([1.0, 0, 0]) if abs(z[0]) < 0.8 else np.array([0, 1.0, 0])
    x = np.cross(helper, z)
    x /= np.linalg.norm(x)
    return np.stack([x, np.cross(z, x), z])


def spun(mesh: Mesh, angle: float) -> Mesh:
    """Turn about the vertical by `angle` radians."""
    c, s = np.cos(angle), np.sin(angle)
    return Mesh(mesh.vertices @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]).T, mesh.faces)


def dropped(mesh: Mesh) -> Mesh:
    """Lower or lift the piece until its lowest point touches the paper."""
    return Mesh(mesh.vertices - [0, 0, mesh.vertices[:, 2].min()], mesh.faces)


def moved(mesh: Mesh, x: float, y: float) -> Mesh:
    """Slide the piece along the paper, mm."""
    return Mesh(mesh.vertices + np.array([x, y, 0.0]), mesh.faces)


def scaled(mesh: Mesh, factor: float) -> Mesh:
    """Enlarge about the origin."""
    return Mesh(mesh.vertices * factor, mesh.faces)
