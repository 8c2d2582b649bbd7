"""A good file of every format, and the same damaged: bytes turned, cut out, doubled, numbers blown up."""

import sys
import tempfile
from pathlib import Path

import format_files
import numpy as np
import scan_files as files
import trimesh

from barerail.errors import BarerailError
from barerail.store import readers

WORDS = (b"-1", b"4294967295", b"99999999999", b"nan", b"1e400", b"\0\0\0\0", b"\xff\xff\xff\xff", b"../", b"[[[[")


def samples(folder: Path) -> list[Path]:
    """One file of each kind, none larger than about 1 MB."""
    mesh = trimesh.Trimesh(files.MESH_POINTS / 1000, files.TRIANGLES, process=False)
    made = [
        files.ply(folder / "a.ply", normals=files.NORMALS),
        files.ply(folder / "mesh.ply", files.MESH_POINTS, triangles=files.TRIANGLES, extra=True),
        files.ply(folder / "text.ply", form="ascii"),
        files.stl(folder / "a.stl"),
        files.stl_text(folder / "text.stl"),
        files.obj(folder / "a.obj", faces=["f 1 2 3 4", "f -1 -2 -3"]),
        files.text(folder / "a.xyz"),
        files.text(folder / "a.csv", separator=",", head="x,y,z\n"),
        format_files.pcd_file(folder / "a.pcd"),
        format_files.three_mf(folder / "a.3mf", "inch", '<item objectid="2"/>'),
        format_files.las_file(folder / "a.las"),
        format_files.e57_file(folder / "a.e57"),
    ]
    mesh.export(str(folder / "a.glb"))
    made += [folder / "a.glb", format_files.laz_file(folder / "a.laz", files.NORMALS)]
    made += [format_files.glb_cloud(folder / "cloud.glb", files.CLOUD / 1000, files.NORMALS)]
    made += [format_files.e57_with_normals(folder / "normals.e57")]
    return [*made, format_files.pack(made[0], "gz"), format_files.pack(made[0], "zip")]


def mutate(data: bytes, rng: np.random.Generator) -> bytes:
    """One to four faults, half of them in the first kilobyte, where the headers are."""
    out = bytearray(data)
    for _ in range(rng.integers(1, 5)):
        at = int(rng.integers(0, min(len(out), 1024) if rng.random() < 0.5 else len(out)))
        match rng.integers(0, 5):
            case 0:
                out[at] = int(rng.integers(0, 256))
            case 1:
                del out[at : at + int(rng.integers(1, 200))]
            case 2:
                out[at:at] = out[at : at + int(rng.integers(1, 200))]
            case 3:
                word = WORDS[rng.integers(0, len(WORDS))]
                out[at : at + len(word)] = word
            case _:
                del out[max(at, 1) :]
        out = out or bytearray(b"\0")
    return bytes(out)


def one(sample: Path, seed: int, folder: Path) -> str:
    """What a reader makes of a damaged file: `read`, `refused`, or a fault's own words."""
    path = folder / sample.name
    path.write_bytes(mutate(sample.read_bytes(), np.random.default_rng(seed)))
    try:
        readers.read([path])
    except BarerailError as error:
        return "refused" if "\n" not in str(error) else f"more than one line: {error}"
    except BaseException as error:
        return f"{type(error).__name__}: {error}"
    return "read"


def main() -> None:
    """`mutated.py FIRST LAST`: seeds of a range on every sample in turn, a line a file."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "bad").mkdir()
        made = samples(Path(folder))
        for seed in range(int(sys.argv[1]), int(sys.argv[2])):
            sample = made[seed % len(made)]
            print(f"{seed} {sample.name} ", end="", flush=True)
            print(one(sample, seed, Path(folder) / "bad").replace("\n", " "), flush=True)


if __name__ == "__main__":
    main()
