"""From scan lines to cells: the strip of mat between two neighbouring lines fills the cells inside it.

A line's nodes are its spots on the mat and the two ends of the mat, which carry the outermost spots' values.
Two neighbouring lines span a strip; between two *knots* (nodes whose place is given) it is a quadrilateral,
and the nodes between knots lie on the straight line that joins them, at their own distances. A cell takes
the bilinear value of the four readings around its centre, found by the inverse of the bilinear map: found
once, used for every band.

**Watertight.** A centre is inside by counting crossings of its row with the four sides, half open in both
directions, and a side shared by two quadrilaterals is computed alike for both. So a centre inside the mat
lies in an odd number of quadrilaterals, never in none, and in exactly one where lines do not cross.

**Once.** A cell taken by its pass is never taken again by it: the first look wins where lines overlap. A
pass of higher rank takes cells over from lower ones; nothing is blended.

**Missing readings.** A cell belongs to the nearest node in the quadrilateral's own coordinates: to one
spot's pitch, by half way to the neighbouring lines. If that reading is missing, the cell is taken and stays
empty; if it is not of the lot, the cell is left alone. Else the bilinear weights of missing readings go to
those present. So a missing reading costs its own pitch and nothing else, and two lots cut from one log
share out the cells between them exactly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numba import njit

LONGEST_STEP_M = 1.0  # between neighbouring lines; a wider hole is a gap (common practice, no source)
GUESSES = 1024  # bins across the mat that find a node; accuracy does not depend on it
ROOM = 1024  # cells of one quadrilateral before its work arrays grow

# Without reference counts (`_nrt`), which for arrays handed on cost more than a small quadrilateral: so nothing
# is allocated here. Without wrappers, what is called from kernels only compiles faster.
_kernel = njit(cache=True, nogil=True, error_model="numpy", _nrt=False)
_inner = njit(cache=True, error_model="numpy", _nrt=False, no_cpython_wrapper=True, no_cfunc_wrapper=True)


@dataclass(frozen=True, eq=False, slots=True)
class Mesh:
    """Scan lines in the coordinates of one frame. Lengths in metres; arrays C contiguous.

    `spot` and `right_m` describe the nodes in order across: at least three, first and last the ends of the
    mat, each with the column of the spot whose value it carries. `knot` are the nodes with coordinates of
    their own, first and last node among them.
    """

    along_m: np.ndarray  # float64 (line, knot) along columns; NaN = no position
    across_m: np.ndarray  # float64 (line, knot) along rows
    knot: np.ndarray  # int64 (knot), ascending
    spot: np.ndarray  # uint64 (node); unsigned spares the kernel a check for negative indices
    right_m: np.ndarray  # float64 (node), strictly monotonic
    temp_c: np.ndarray  # float32 (line, spot), NaN = missing, or not of the lot
    sigma_m: np.ndarray  # float32 (line, spot)
    laid_s: np.ndarray  # float32 (line), NaN = unknown
    inside: np.ndarray  # bool (line, spot), of the lot
    nodes: tuple[np.ndarray, ...] = field(init=False)  # distance from the first node, inverse steps, guesses

    def __post_init__(self) -> None:
        distance = np.abs(self.right_m - self.right_m[0])
        bins = np.arange(GUESSES) * (distance[-1] / GUESSES)
        guess = np.searchsorted(distance[1:-1], bins, side="right")
        object.__setattr__(self, "nodes", (distance, 1 / np.diff(distance), guess))


@dataclass(frozen=True, eq=False, slots=True)
class Block:
    """Cells under the pen: row r, column c is cell (row0 + r, col0 + c) of the frame, at r x cols + c."""

    row0: int
    col0: int
    cols: int
    owner: np.ndarray  # int16 (cell): rank of the pass that took the cell, 0 = none
    bands: np.ndarray  # float32 (cell, 3): temp_c (NaN = missing), laid_s, sigma_m; undefined without owner

    @classmethod
    def empty(cls, rows: int, cols: int, row0: int = 0, col0: int = 0) -> Block:
        """Make a block that nobody has taken."""
        cells = rows * cols
        return cls(row0, col0, cols, np.zeros(cells, np.int16), np.empty((cells, 3), np.float32))

    def at(self, row0: int, col0: int) -> Block:
        """Move the same memory to another place of the frame."""
        return Block(row0, col0, self.cols, self.owner, self.bands)


def fill(mesh: Mesh, strips: np.ndarray, rank: np.ndarray, block: Block, cell_m: float) -> int:
    """Fill a block from strips of the mesh; return how many cells a pass took over from an earlier one.

    Parameters
    ----------
    mesh : Mesh
        A quadrilateral with a corner without position fills nothing.
    strips : int64 (strip, 2)
        Lines at the start and the end of each strip, in the order of laying.
    rank : int16 (strip)
        Rank of the strip's pass, from 1, ascending with the order of laying.
    block : Block
        Changed in place.
    cell_m : float
        Edge of the square cells.
    """
    lines = (mesh.along_m, mesh.across_m, mesh.knot, mesh.spot, *mesh.nodes)
    readings = (mesh.temp_c, mesh.sigma_m, mesh.laid_s, mesh.inside)
    inputs = [_read_only(array) for array in (strips, rank, *lines, *readings)]
    frame = (block.row0, block.col0, block.cols, cell_m, block.owner, block.bands)
    done, taken_over, room = 0, 0, ROOM
    while done < len(strips):
        work, at = np.empty((4, room)), np.empty(room, np.uint64)
        done, taken, needed = _fill(done, *inputs, *frame, work, at)
        taken_over, room = taken_over + taken, max(room, 2 * needed)
    return taken_over


def compile_fill() -> None:
    """Compile the fill, or load it, on a mesh of one cell: for a process that has time while others read logs."""
    ends = np.array([[0.0, 1.0], [0.0, 1.0]])
    reading = np.ones((2, 1), np.float32)
    mesh = Mesh(
        along_m=ends.T.copy(), across_m=ends, knot=np.array([0, 1]), spot=np.zeros(2, np.uint64),
        right_m=np.array([0.0, 1.0]), temp_c=reading, sigma_m=reading, laid_s=reading[:, 0],
        inside=np.ones((2, 1), bool),
    )  # fmt: skip
    fill(mesh, np.array([[0, 1]]), np.ones(1, np.int16), Block.empty(1, 1), 1.0)


def _read_only(array: np.ndarray) -> np.ndarray:
    """View an array as constant: numba compiles once for each kind, and nouns come frozen."""
    view = array.view()
    view.setflags(write=False)
    return view


def harvest(block: Block) -> tuple[np.ndarray, np.ndarray]:
    """Return the cells that hold a reading, and give the block back unowned.

    Returns
    -------
    cell : int32 (cell), ascending
        Row x cols + column of the block.
    bands : float32 (3, cell)
        temp_c, laid_s, sigma_m.
    """
    cell = np.flatnonzero(block.owner != 0)
    bands = np.ascontiguousarray(block.bands.take(cell, axis=0).T)
    block.owner[:] = 0
    missing = np.isnan(bands[0])
    if missing.any():
        cell, bands = cell[~missing], bands[:, ~missing]
    return cell.astype(np.int32), bands


@_inner
def _spans(y, quad, slopes):
    """Where row y lies inside: [first, second), [third, fourth); the latter is empty unless two sides cross.

    A side counts from its lower end to below its upper end. Its x comes from its own first end and slope,
    whichever quadrilateral asks.
    """
    xa, ya, xb, yb, _, yc, xd, yd = quad
    a, b, c, d = ya <= y, yb <= y, yc <= y, yd <= y
    ab, dc = xa + (y - ya) * slopes[0], xd + (y - yd) * slopes[1]
    ad, bc = xa + (y - ya) * slopes[2], xb + (y - yb) * slopes[3]
    low, high = np.inf, -np.inf
    if a != b:
        low, high = min(low, ab), max(high, ab)
    if d != c:
        low, high = min(low, dc), max(high, dc)
    if a != d:
        low, high = min(low, ad), max(high, ad)
    if b != c:
        low, high = min(low, bc), max(high, bc)
    if (a != b) & (d != c) & (a != d):
        one, two = max(min(ab, dc), min(ad, bc)), min(max(ab, dc), max(ad, bc))
        return low, min(one, two), max(one, two), high
    return low, high, high, high


@_inner
def _gather(quad, rank, cols, owner, work, at):
    """Collect the cells inside a quadrilateral that its pass does not own: x, y from a, and the cell.

    Return how many there are; those beyond the room in `at` are only counted.
    """
    xa, ya, xb, yb, xc, yc, xd, yd = quad
    slopes = (xb - xa) / (yb - ya), (xc - xd) / (yc - yd), (xd - xa) / (yd - ya), (xc - xb) / (yc - yb)
    rows, room, number = len(owner) // cols, len(at), 0
    lowest, highest = min(min(ya, yb), min(yc, yd)), max(max(ya, yb), max(yc, yd))
    for row in range(max(math.ceil(lowest), 0), min(math.ceil(highest), rows)):
        low, high, third, fourth = _spans(row, quad, slopes)
        while low < high:
            for col in range(max(math.ceil(low), 0), min(math.ceil(high), cols)):
                if owner[row * cols + col] != rank:
                    if number < room:
                        work[0, number], work[1, number], at[number] = col - xa, row - ya, row * cols + col
                    number += 1
            low, high, third = third, fourth, fourth
    return number


@_inner
def _place(number, work, quad):
    """Invert the bilinear map for cells x, y in work[0], work[1]: u (a to b), v (a to d), both within 0..1.

    v is the root of cross(P - L(v), R(v) - L(v)) = k2 v^2 + k1 v + k0 at which the sign turns from that on
    the start line, in the form that does not cancel; L, R run along the two sides.
    """
    xa, ya, xb, yb, xc, yc, xd, yd = quad
    ex, ey, fx, fy = xb - xa, yb - ya, xd - xa, yd - ya
    gx, gy = xa - xb + xc - xd, ya - yb + yc - yd
    k2, cross = gx * fy - gy * fx, ex * fy - ey * fx
    for i in range(number):
        x, y = work[0, i], work[1, i]
        k1 = cross + x * gy - y * gx
        k0 = x * ey - y * ex
        turn = -1.0 if (k0 > 0) | ((k0 == 0) & (k1 < 0)) else 1.0
        root = math.sqrt(max(k1 * k1 - 4 * k2 * k0, 0.0))
        k1 *= turn
        above = -2 * k0 * turn if k1 > 0 else root - k1
        below = k1 + root if k1 > 0 else 2 * k2 * turn
        v = min(max(above / below, 0.0), 1.0)
        wx, wy = ex + v * gx, ey + v * gy
        u = ((x - v * fx) * wx + (y - v * fy) * wy) / (wx * wx + wy * wy)
        work[2, i] = min(max(u, 0.0), 1.0)
        work[3, i] = v


@_inner
def _incomplete(temp, inside, start, end, left, right, u, v):
    """Value where a corner is missing: whether the cell is taken, and its temperature (NaN = stays empty)."""
    line, spot = end if v >= 0.5 else start, right if u >= 0.5 else left
    if not inside[line, spot]:
        return False, 0.0
    if math.isnan(temp[line, spot]):
        return True, np.nan
    total, weight = 0.0, 0.0
    for i, share in ((start, 1 - v), (end, v)):
        for k, part in ((left, (1 - u) * share), (right, u * share)):
            if not math.isnan(temp[i, k]):
                total, weight = total + part * temp[i, k], weight + part
    return True, total / weight


@_inner
def _value(number, work, at, start, end, span, rank, nodes, temp, sigma, laid, inside, owner, bands):
    """Give the placed cells their values; return how many were another pass's."""
    spot, distance, inverse, guess = nodes
    from_m, span_m = distance[span[0]], distance[span[1]] - distance[span[0]]
    taken_over, last = 0, len(inverse) - 1
    laid_from, laid_span = laid[start], laid[end] - laid[start]
    bins = len(guess) / distance[-1]
    for i in range(number):
        right_m, v = from_m + work[2, i] * span_m, work[3, i]
        j = guess[min(int(right_m * bins), len(guess) - 1)]
        while j < last and right_m >= distance[j + 1]:
            j += 1
        u = min(max((right_m - distance[j]) * inverse[j], 0.0), 1.0)
        left, right = spot[j], spot[j + 1]
        near = temp[start, left] + u * (temp[start, right] - temp[start, left])
        far = temp[end, left] + u * (temp[end, right] - temp[end, left])
        value = near + v * (far - near)
        if math.isnan(value):
            take, value = _incomplete(temp, inside, start, end, left, right, u, v)
            if not take:
                continue
        cell = at[i]
        taken_over += owner[cell] > 0
        owner[cell] = rank
        near = sigma[start, left] + u * (sigma[start, right] - sigma[start, left])
        far = sigma[end, left] + u * (sigma[end, right] - sigma[end, left])
        bands[cell, 0] = value
        bands[cell, 1] = laid_from + v * laid_span
        bands[cell, 2] = near + v * (far - near)
    return taken_over


@_kernel
def _fill(
    first, strips, rank, along, across, knot, spot, distance, inverse, guess, temp, sigma, laid, inside,
    row0, col0, cols, cell, owner, bands, work, at,
):  # fmt: skip
    """Go strip by strip, quadrilateral by quadrilateral: gather its cells, place them, give them values.

    Corners a, b are on the start line, c, d on the end line, in cells from the first centre. Return the
    strips done, the cells taken over, and the room that the next strip needs where it had too little.
    """
    taken_over = 0
    for k in range(first, len(strips)):
        start, end = np.uint64(strips[k, 0]), np.uint64(strips[k, 1])
        xb, yb = along[start, 0] / cell - 0.5 - col0, across[start, 0] / cell - 0.5 - row0
        xc, yc = along[end, 0] / cell - 0.5 - col0, across[end, 0] / cell - 0.5 - row0
        for p in range(len(knot) - 1):
            xa, ya, xd, yd = xb, yb, xc, yc
            xb, yb = along[start, p + 1] / cell - 0.5 - col0, across[start, p + 1] / cell - 0.5 - row0
            xc, yc = along[end, p + 1] / cell - 0.5 - col0, across[end, p + 1] / cell - 0.5 - row0
            quad = (xa, ya, xb, yb, xc, yc, xd, yd)
            if math.isnan(xa + xb + xc + xd + ya + yb + yc + yd):
                continue
            if math.ceil(min(min(xa, xb), min(xc, xd))) >= math.ceil(max(max(xa, xb), max(xc, xd))):
                continue
            number = _gather(quad, rank[k], cols, owner, work, at)
            if number > len(at):
                return k, taken_over, number
            if number > 0:
                _place(number, work, quad)
                taken_over += _value(
                    number, work, at, start, end, (knot[p], knot[p + 1]), rank[k],
                    (spot, distance, inverse, guess), temp, sigma, laid, inside, owner, bands,
                )  # fmt: skip
    return len(strips), taken_over, 0
