"""Compiled loops of `distance.py`. This file imports numba: import it inside functions only.

All lengths are in steps of the grid, arrays are (nx, ny, nz). One thread, no lock
held, compiled code kept beside this file where that folder may be written to.
"""

from typing import Any

import numpy as np

from headstock.geometry.compiled import compiled

_FAR = 1e30


@compiled
def look(values: Any, gx: float, gy: float, gz: float) -> float:
    """Trilinear value at one point in steps; beyond the grid that at its nearest place."""
    nx, ny, nz = values.shape
    cx = min(max(gx, 0.0), nx - 1.0)
    cy = min(max(gy, 0.0), ny - 1.0)
    cz = min(max(gz, 0.0), nz - 1.0)
    i, j, k = min(int(cx), nx - 2), min(int(cy), ny - 2), min(int(cz), nz - 2)
    u, v, w = cx - i, cy - j, cz - k
    a = values[i, j, k] + (values[i, j, k + 1] - values[i, j, k]) * w
    b = values[i, j + 1, k] + (values[i, j + 1, k + 1] - values[i, j + 1, k]) * w
    c = values[i + 1, j, k] + (values[i + 1, j, k + 1] - values[i + 1, j, k]) * w
    d = values[i + 1, j + 1, k] + (values[i + 1, j + 1, k + 1] - values[i + 1, j + 1, k]) * w
    low, high = a + (b - a) * v, c + (d - c) * v
    return low + (high - low) * u  # type: ignore[no-any-return]


@compiled
def cell_gradient(values: Any, gx: float, gy: float, gz: float) -> Any:
    """Gradient of the trilinear form, per step, of the cell at or nearest to a point in steps."""
    nx, ny, nz = values.shape
    cx = min(max(gx, 0.0), nx - 1.0)
    cy = min(max(gy, 0.0), ny - 1.0)
    cz = min(max(gz, 0.0), nz - 1.0)
    i, j, k = min(int(cx), nx - 2), min(int(cy), ny - 2), min(int(cz), nz - 2)
    u, v, w = cx - i, cy - j, cz - k
    v000, v001 = values[i, j, k], values[i, j, k + 1]
    v010, v011 = values[i, j + 1, k], values[i, j + 1, k + 1]
    v100, v101 = values[i + 1, j, k], values[i + 1, j, k + 1]
    v110, v111 = values[i + 1, j + 1, k], values[i + 1, j + 1, k + 1]
    a, b = v000 + (v001 - v000) * w, v010 + (v011 - v010) * w
    c, d = v100 + (v101 - v100) * w, v110 + (v111 - v110) * w
    dx = (c + (d - c) * v) - (a + (b - a) * v)
    dy = (b - a) * (1.0 - u) + (d - c) * u
    dz = ((v001 - v000) * (1.0 - v) + (v011 - v010) * v) * (1.0 - u)
    dz += ((v101 - v100) * (1.0 - v) + (v111 - v110) * v) * u
    return dx, dy, dz


@compiled
def beyond(values: Any, gx: float, gy: float, gz: float, step: float) -> Any:
    """A distance beyond the grid, and its gradient per step: the way to a point of the surface that the grid knows.

    Where the way from the point meets the grid, value and gradient say where the surface lies; from there the
    way is drawn anew. Never too small but for the error of the grid. Without a surface (value not positive there)
    the value at the nearest place of the grid plus the way to it.
    """
    nx, ny, nz = values.shape
    cx = min(max(gx, 0.0), nx - 1.0)
    cy = min(max(gy, 0.0), ny - 1.0)
    cz = min(max(gz, 0.0), nz - 1.0)
    wx, wy, wz = gx - cx, gy - cy, gz - cz
    way = np.sqrt(wx * wx + wy * wy + wz * wz)
    best = look(values, cx, cy, cz) / step + way
    bx, by, bz = wx / way, wy / way, wz / way
    for _ in range(3):
        value = look(values, cx, cy, cz) / step
        if value <= 0.0:
            break
        dx, dy, dz = cell_gradient(values, cx, cy, cz)
        size = np.sqrt(dx * dx + dy * dy + dz * dz)
        if size <= 0.0:
            break
        fx, fy, fz = cx - value * dx / size, cy - value * dy / size, cz - value * dz / size
        wx, wy, wz = gx - fx, gy - fy, gz - fz
        way = np.sqrt(wx * wx + wy * wy + wz * wz)
        if way < best:
            best = way
            bx, by, bz = wx / way, wy / way, wz / way
        # Where the way from the surface to the point leaves the grid.
        share = 1.0
        if gx > nx - 1.0 and wx > 0.0:
            share = min(share, (nx - 1.0 - fx) / wx)
        if gx < 0.0 and wx < 0.0:
            share = min(share, -fx / wx)
        if gy > ny - 1.0 and wy > 0.0:
            share = min(share, (ny - 1.0 - fy) / wy)
        if gy < 0.0 and wy < 0.0:
            share = min(share, -fy / wy)
        if gz > nz - 1.0 and wz > 0.0:
            share = min(share, (nz - 1.0 - fz) / wz)
        if gz < 0.0 and wz < 0.0:
            share = min(share, -fz / wz)
        share = max(share, 0.0)
        cx = min(max(fx + share * wx, 0.0), nx - 1.0)
        cy = min(max(fy + share * wy, 0.0), ny - 1.0)
        cz = min(max(fz + share * wz, 0.0), nz - 1.0)
    return best * step, bx * step, by * step, bz * step


@compiled
def outside(values: Any, gx: float, gy: float, gz: float) -> bool:
    """True when a point in steps lies beyond the grid."""
    nx, ny, nz = values.shape
    return gx < 0.0 or gy < 0.0 or gz < 0.0 or gx > nx - 1.0 or gy > ny - 1.0 or gz > nz - 1.0


@compiled
def look_many(values: Any, points: Any, turn: Any, shift: Any, step: float, distance: bool, out: Any) -> None:
    """`out[n]` at `points[n] @ turn + shift`, both already in steps."""
    for n in range(points.shape[0]):
        px, py, pz = points[n, 0], points[n, 1], points[n, 2]
        gx = px * turn[0, 0] + py * turn[1, 0] + pz * turn[2, 0] + shift[0]
        gy = px * turn[0, 1] + py * turn[1, 1] + pz * turn[2, 1] + shift[1]
        gz = px * turn[0, 2] + py * turn[1, 2] + pz * turn[2, 2] + shift[2]
        if distance and outside(values, gx, gy, gz):
            out[n] = beyond(values, gx, gy, gz, step)[0]
        else:
            out[n] = look(values, gx, gy, gz)


@compiled
def look_gradient_many(
    values: Any, points: Any, turn: Any, shift: Any, step: float, distance: bool, out: Any, gradient: Any
) -> None:
    """As `look_many`, with the gradient of the trilinear form in the frame of the points (per unit of the points)."""
    nx, ny, nz = values.shape
    for n in range(points.shape[0]):
        px, py, pz = points[n, 0], points[n, 1], points[n, 2]
        gx = px * turn[0, 0] + py * turn[1, 0] + pz * turn[2, 0] + shift[0]
        gy = px * turn[0, 1] + py * turn[1, 1] + pz * turn[2, 1] + shift[1]
        gz = px * turn[0, 2] + py * turn[1, 2] + pz * turn[2, 2] + shift[2]
        if distance and outside(values, gx, gy, gz):
            out[n], dx, dy, dz = beyond(values, gx, gy, gz, step)
        else:
            out[n] = look(values, gx, gy, gz)
            dx, dy, dz = cell_gradient(values, gx, gy, gz)
            if gx < 0.0 or gx > nx - 1.0:
                dx = 0.0
            if gy < 0.0 or gy > ny - 1.0:
                dy = 0.0
            if gz < 0.0 or gz > nz - 1.0:
                dz = 0.0
        gradient[n, 0] = dx * turn[0, 0] + dy * turn[0, 1] + dz * turn[0, 2]
        gradient[n, 1] = dx * turn[1, 0] + dy * turn[1, 1] + dz * turn[1, 2]
        gradient[n, 2] = dx * turn[2, 0] + dy * turn[2, 1] + dz * turn[2, 2]


@compiled
def resample(source: Any, turn: Any, shift: Any, out: Any) -> None:
    """`out[i, j, k]`: trilinear value of `source` at `turn @ (i, j, k) + shift`, clamped to the source's edge."""
    nx, ny, nz = out.shape
    for i in range(nx):
        for j in range(ny):
            bx = turn[0, 0] * i + turn[0, 1] * j + shift[0]
            by = turn[1, 0] * i + turn[1, 1] * j + shift[1]
            bz = turn[2, 0] * i + turn[2, 1] * j + shift[2]
            for k in range(nz):
                out[i, j, k] = look(source, bx + turn[0, 2] * k, by + turn[1, 2] * k, bz + turn[2, 2] * k)


@compiled
def resample_distance(source: Any, turn: Any, shift: Any, spacing: Any, out: Any) -> None:
    """As `resample`, of a distance: beyond the source the way to it is added, `spacing` mm a step of the source."""
    nx, ny, nz = out.shape
    sx, sy, sz = source.shape
    for i in range(nx):
        for j in range(ny):
            for k in range(nz):
                x = turn[0, 0] * i + turn[0, 1] * j + turn[0, 2] * k + shift[0]
                y = turn[1, 0] * i + turn[1, 1] * j + turn[1, 2] * k + shift[1]
                z = turn[2, 0] * i + turn[2, 1] * j + turn[2, 2] * k + shift[2]
                ex = max(-x, x - (sx - 1.0), 0.0) * spacing[0]
                ey = max(-y, y - (sy - 1.0), 0.0) * spacing[1]
                ez = max(-z, z - (sz - 1.0), 0.0) * spacing[2]
                out[i, j, k] = look(source, x, y, z) + np.sqrt(ex * ex + ey * ey + ez * ez)


@compiled
def nearest(source: Any, turn: Any, shift: Any, out: Any) -> None:
    """As `resample`, the nearest sample instead, 0 beyond the source: for labels."""
    nx, ny, nz = out.shape
    sx, sy, sz = source.shape
    for i in range(nx):
        for j in range(ny):
            for k in range(nz):
                x = int(np.floor(turn[0, 0] * i + turn[0, 1] * j + turn[0, 2] * k + shift[0] + 0.5))
                y = int(np.floor(turn[1, 0] * i + turn[1, 1] * j + turn[1, 2] * k + shift[1] + 0.5))
                z = int(np.floor(turn[2, 0] * i + turn[2, 1] * j + turn[2, 2] * k + shift[2] + 0.5))
                if 0 <= x < sx and 0 <= y < sy and 0 <= z < sz:
                    out[i, j, k] = source[x, y, z]
                else:
                    out[i, j, k] = 0


@compiled
def band(vertices: Any, faces: Any, reach: float, square: Any, foot: Any) -> None:
    """Exact squared distance and nearest surface point of every sample within `reach` steps of a face's box.

    Nearest point of a triangle: C. Ericson, Real-Time Collision Detection, 2005, section 5.1.5. Where a surface runs
    through a sample exactly, some of its faces have two corners in one place: an edge of no length is passed over.
    """
    nx, ny, nz = square.shape
    for f in range(faces.shape[0]):
        a, b, c = vertices[faces[f, 0]], vertices[faces[f, 1]], vertices[faces[f, 2]]
        i0 = max(int(np.ceil(min(a[0], b[0], c[0]) - reach)), 0)
        i1 = min(int(np.floor(max(a[0], b[0], c[0]) + reach)), nx - 1)
        j0 = max(int(np.ceil(min(a[1], b[1], c[1]) - reach)), 0)
        j1 = min(int(np.floor(max(a[1], b[1], c[1]) + reach)), ny - 1)
        k0 = max(int(np.ceil(min(a[2], b[2], c[2]) - reach)), 0)
        k1 = min(int(np.floor(max(a[2], b[2], c[2]) + reach)), nz - 1)
        ux, uy, uz = b[0] - a[0], b[1] - a[1], b[2] - a[2]
        vx, vy, vz = c[0] - a[0], c[1] - a[1], c[2] - a[2]
        mx, my, mz = uy * vz - uz * vy, uz * vx - ux * vz, ux * vy - uy * vx
        size = np.sqrt(mx * mx + my * my + mz * mz)
        if size > 0.0:
            mx, my, mz = mx / size, my / size, mz / size
        for i in range(i0, i1 + 1):
            for j in range(j0, j1 + 1):
                for k in range(k0, k1 + 1):
                    px, py, pz = i - a[0], j - a[1], k - a[2]
                    off = px * mx + py * my + pz * mz
                    if off * off >= square[i, j, k]:
                        continue  # the plane alone is farther than what is known
                    d1 = ux * px + uy * py + uz * pz
                    d2 = vx * px + vy * py + vz * pz
                    qx, qy, qz = i - b[0], j - b[1], k - b[2]
                    d3 = ux * qx + uy * qy + uz * qz
                    d4 = vx * qx + vy * qy + vz * qz
                    rx, ry, rz = i - c[0], j - c[1], k - c[2]
                    d5 = ux * rx + uy * ry + uz * rz
                    d6 = vx * rx + vy * ry + vz * rz
                    s, t = 0.0, 0.0
                    vc = d1 * d4 - d3 * d2
                    vb = d5 * d2 - d1 * d6
                    va = d3 * d6 - d5 * d4
                    if d1 <= 0.0 and d2 <= 0.0:
                        s, t = 0.0, 0.0
                    elif d3 >= 0.0 and d4 <= d3:
                        s, t = 1.0, 0.0
                    elif d6 >= 0.0 and d5 <= d6:
                        s, t = 0.0, 1.0
                    elif vc <= 0.0 and d1 >= 0.0 and d3 <= 0.0 and d1 > d3:
                        s, t = d1 / (d1 - d3), 0.0
                    elif vb <= 0.0 and d2 >= 0.0 and d6 <= 0.0 and d2 > d6:
                        s, t = 0.0, d2 / (d2 - d6)
                    elif va <= 0.0 and d4 >= d3 and d5 >= d6 and (d4 > d3 or d5 > d6):
                        t = (d4 - d3) / ((d4 - d3) + (d5 - d6))
                        s = 1.0 - t
                    else:
                        whole = va + vb + vc
                        if whole > 0.0:
                            s, t = vb / whole, vc / whole
                    fx, fy, fz = a[0] + s * ux + t * vx, a[1] + s * uy + t * vy, a[2] + s * uz + t * vz
                    gap = (i - fx) ** 2 + (j - fy) ** 2 + (k - fz) ** 2
                    if gap < square[i, j, k]:
                        square[i, j, k] = gap
                        foot[i, j, k, 0], foot[i, j, k, 1], foot[i, j, k, 2] = fx, fy, fz


@compiled
def inside(vertices: Any, faces: Any, out: Any) -> None:
    """Which samples lie inside a closed surface: parity of the faces met along the third axis.

    Columns are looked at a hair beside the samples, so that none runs through a vertex; a shared edge
    is judged the same way by both its faces.
    """
    nx, ny, nz = out.shape
    hx, hy = 1.3e-5, 0.7e-5
    for f in range(faces.shape[0]):
        n0, n1, n2 = faces[f, 0], faces[f, 1], faces[f, 2]
        x0, y0, z0 = vertices[n0, 0] - hx, vertices[n0, 1] - hy, vertices[n0, 2]
        x1, y1, z1 = vertices[n1, 0] - hx, vertices[n1, 1] - hy, vertices[n1, 2]
        x2, y2, z2 = vertices[n2, 0] - hx, vertices[n2, 1] - hy, vertices[n2, 2]
        i0, i1 = max(int(np.ceil(min(x0, x1, x2))), 0), min(int(np.floor(max(x0, x1, x2))), nx - 1)
        j0, j1 = max(int(np.ceil(min(y0, y1, y2))), 0), min(int(np.floor(max(y0, y1, y2))), ny - 1)
        low, high = min(z0, z1, z2), max(z0, z1, z2)
        for i in range(i0, i1 + 1):
            for j in range(j0, j1 + 1):
                # Each edge from its lower to its higher vertex number: the same arithmetic on both sides.
                if n0 < n1:
                    e2 = (x1 - x0) * (j - y0) - (y1 - y0) * (i - x0)
                else:
                    e2 = -((x0 - x1) * (j - y1) - (y0 - y1) * (i - x1))
                if n1 < n2:
                    e0 = (x2 - x1) * (j - y1) - (y2 - y1) * (i - x1)
                else:
                    e0 = -((x1 - x2) * (j - y2) - (y1 - y2) * (i - x2))
                if n2 < n0:
                    e1 = (x0 - x2) * (j - y2) - (y0 - y2) * (i - x2)
                else:
                    e1 = -((x2 - x0) * (j - y0) - (y2 - y0) * (i - x0))
                if not ((e0 > 0.0 and e1 > 0.0 and e2 > 0.0) or (e0 < 0.0 and e1 < 0.0 and e2 < 0.0)):
                    continue
                z = (e0 * z0 + e1 * z1 + e2 * z2) / (e0 + e1 + e2)
                k = max(int(np.ceil(min(max(z, low), high))), 0)
                if k < nz:
                    out[i, j, k] ^= True
    for i in range(nx):
        for j in range(ny):
            state = False
            for k in range(nz):
                state ^= out[i, j, k]
                out[i, j, k] = state


@compiled
def _lowest(height: Any, who: Any, at: Any, n: int) -> int:
    """Lower envelope of the parabolas (x - i)^2 + height[i], i < n, height under 1e29: who rules from `at` on.

    P. F. Felzenszwalb, D. P. Huttenlocher, Distance transforms of sampled functions, Theory Comput 2012;8:415-428.
    """
    count = 0
    for i in range(n):
        if height[i] >= 1e29:
            continue
        start = -1e30
        while count > 0:
            j = who[count - 1]
            start = 0.5 * ((height[i] + i * i) - (height[j] + j * j)) / (i - j)
            if start > at[count - 1]:
                break
            count -= 1
            start = -1e30
        who[count] = i
        at[count] = start
        count += 1
    return count


@compiled
def _gap(feet: Any, own: int, i: int, j: int, k: int) -> float:
    x, y, z = i - feet[own, 0], j - feet[own, 1], k - feet[own, 2]
    return x * x + y * y + z * z  # type: ignore[no-any-return]


@compiled
def _slid(square: Any, feet: Any, inner: float, i: int, j: int, k: int, own: int) -> float:
    """Squared distance of [i, j, k] from the surface where the plane at the surface point `own` says it is nearest."""
    nx, ny, nz = square.shape
    fx, fy, fz = feet[own, 0], feet[own, 1], feet[own, 2]
    ux, uy, uz = own // (ny * nz) - fx, own // nz % ny - fy, own % nz - fz
    size = np.sqrt(ux * ux + uy * uy + uz * uz)
    if size < 1e-3:
        return _FAR
    ux, uy, uz = ux / size, uy / size, uz / size
    height = (i - fx) * ux + (j - fy) * uy + (k - fz) * uz
    back = height - (1.0 if height > 0.0 else -1.0)
    a, b, c = int(np.rint(i - back * ux)), int(np.rint(j - back * uy)), int(np.rint(k - back * uz))
    if a < 0 or b < 0 or c < 0 or a >= nx or b >= ny or c >= nz or square[a, b, c] > inner:
        return _FAR
    return _gap(feet, (a * ny + b) * nz + c, i, j, k)  # type: ignore[no-any-return]


@compiled
def spread(square: Any, foot: Any, exact: float) -> None:
    """Squared distances beyond the band: to the best surface point that the samples of the band know.

    The nearest sample of the band is found exactly, axis by axis (A. Meijster and others, A general algorithm for
    computing distance transforms in linear time, 2000). The edge of the band is ragged by half a step, so that sample
    may lie aside of the shortest way: the surface points of neighbours are tried there and back, and where the plane at
    the best one says the way should end. Samples within `exact` steps of the surface stay.
    """
    nx, ny, nz = square.shape
    inner = exact * exact
    source = np.empty((nx, ny, nz), np.int32)
    for i in range(nx):
        for j in range(ny):
            last = -1
            for k in range(nz):
                if square[i, j, k] <= inner:
                    last = k
                source[i, j, k] = last
            last = -1
            for k in range(nz - 1, -1, -1):
                if square[i, j, k] <= inner:
                    last = k
                before = source[i, j, k]
                if before < 0 or (last >= 0 and last - k < k - before):
                    source[i, j, k] = last
    most = max(nx, ny)
    height, who, at = np.empty(most, np.float64), np.empty(most, np.int32), np.empty(most, np.float64)
    line = np.empty(most, np.int32)
    for i in range(nx):
        for k in range(nz):
            for j in range(ny):
                line[j] = source[i, j, k]
                height[j] = 1e30 if line[j] < 0 else float((k - line[j]) ** 2)
            count = _lowest(height, who, at, ny)
            if count == 0:
                continue
            ruler = 0
            for j in range(ny):
                while ruler + 1 < count and at[ruler + 1] < j:
                    ruler += 1
                source[i, j, k] = who[ruler] * nz + line[who[ruler]]
    for j in range(ny):
        for k in range(nz):
            for i in range(nx):
                line[i] = source[i, j, k]
                if line[i] < 0:
                    height[i] = 1e30
                else:
                    height[i] = float((j - line[i] // nz) ** 2 + (k - line[i] % nz) ** 2)
            count = _lowest(height, who, at, nx)
            if count == 0:
                continue
            ruler = 0
            for i in range(nx):
                while ruler + 1 < count and at[ruler + 1] < i:
                    ruler += 1
                a = who[ruler]
                source[i, j, k] = (a * ny + line[a] // nz) * nz + line[a] % nz
    feet = foot.reshape(-1, 3)
    for way in range(2):
        step = 1 if way == 0 else -1
        for ii in range(nx):
            i = ii if way == 0 else nx - 1 - ii
            for jj in range(ny):
                j = jj if way == 0 else ny - 1 - jj
                for kk in range(nz):
                    k = kk if way == 0 else nz - 1 - kk
                    if way == 0 and square[i, j, k] <= inner:
                        source[i, j, k] = (i * ny + j) * nz + k
                        continue
                    if square[i, j, k] <= inner:
                        continue
                    own = source[i, j, k]
                    best = _gap(feet, own, i, j, k)
                    for side in range(3):
                        a = i - step if side == 0 else i
                        b = j - step if side == 1 else j
                        c = k - step if side == 2 else k
                        if a < 0 or b < 0 or c < 0 or a >= nx or b >= ny or c >= nz:
                            continue
                        other = source[a, b, c]
                        if other != own:
                            gap = _gap(feet, other, i, j, k)
                            if gap < best:
                                best, own = gap, other
                    source[i, j, k] = own
                    if way == 1:
                        best = min(best, _slid(square, feet, inner, i, j, k, own))
                        square[i, j, k] = max(best, inner * 1.000001)
