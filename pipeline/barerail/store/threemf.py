"""3MF: every item of its build with all transforms, in the unit that it states (3MF core 1.4, production extension)."""

import zipfile
from array import array
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from barerail.errors import DataError
from barerail.records import Array
from barerail.store import archive, units
from barerail.store.raw import Raw, moved, one_mesh

_MM = {"micron": 0.001, "millimeter": 1.0, "centimeter": 10.0, "inch": 25.4, "foot": 304.8, "meter": 1000.0}
_ROOT, _RELATIONS, _KIND = "3D/3dmodel.model", "_rels/.rels", "/3dmodel"
_DEEPEST = 32
"""Components within components; real files have one or two (judgement)."""


@dataclass
class _Reference:
    """An object to be placed: its number, its file where that is another one, and the matrix."""

    id: str
    file: str
    matrix: Array


@dataclass
class _Object:
    vertices: "array[float]" = field(default_factory=lambda: array("d"))
    triangles: "array[int]" = field(default_factory=lambda: array("q"))
    parts: list[_Reference] = field(default_factory=list)


@dataclass
class _Model:
    unit: str = "millimeter"
    objects: dict[str, _Object] = field(default_factory=dict)
    build: list[_Reference] = field(default_factory=list)


def read(path: Path) -> Raw:
    """Mesh of a 3MF file, all items of its build together."""
    with archive.opened(path) as package:
        models = _Models(package, path)
        root = models[_root(package, path)]
        placed = list(_placed(models, root.build, path))
    if not placed:
        raise DataError(f"{path.name} builds nothing: its list of items is empty: export it with the scan on the plate")
    if root.unit not in _MM:
        raise DataError(
            f"{path.name} is damaged: it states the unit {root.unit[:40]!r}, which 3MF has not: export it again"
        )
    raw = one_mesh([_mesh(part, matrix) for part, matrix in placed], path)
    raw.unit, k = units.named(_MM[root.unit])
    raw.points *= k
    return raw


def _mesh(part: _Object, matrix: Array) -> tuple[Array, NDArray[np.int64]]:
    triangles = np.array(part.triangles, np.int64).reshape(-1, 3)
    mirrored = np.linalg.det(matrix[:3, :3]) < 0
    return moved(np.array(part.vertices).reshape(-1, 3), matrix), triangles[:, ::-1] if mirrored else triangles


def _placed(models: "_Models", items: list[_Reference], path: Path) -> Iterator[tuple[_Object, Array]]:
    """Each mesh with its matrix; loops and chains longer than any real one are refused."""
    rest = [(item, "", np.eye(4), 0) for item in reversed(items)]
    count = 0
    while rest:
        item, file, above, depth = rest.pop()
        file, count = item.file or file, count + 1
        thing = models[file or models.root].objects.get(item.id)
        if thing is None:
            raise DataError(f"{path.name} is damaged: object {item.id[:40]!r} isn't in it: export it again")
        if depth > _DEEPEST or count > 100_000:
            raise DataError(f"{path.name} is damaged: its components hold each other without end: export it again")
        matrix = above @ item.matrix
        if thing.vertices:
            yield thing, matrix
        rest += [(part, file, matrix, depth + 1) for part in reversed(thing.parts)]


class _Models:
    """The model files of a package, each parsed once."""

    def __init__(self, package: zipfile.ZipFile, path: Path) -> None:
        self.package, self.path, self.root = package, path, ""
        self.parsed: dict[str, _Model] = {}

    def __getitem__(self, name: str) -> _Model:
        name = name.lstrip("/")
        self.root = self.root or name
        if name not in self.parsed:
            self.parsed[name] = _parse(self.package, name, self.path)
        return self.parsed[name]


def _root(package: zipfile.ZipFile, path: Path) -> str:
    """The model that the package says is its main one."""
    found: list[str] = []

    def start(tag: str, told: dict[str, str]) -> None:
        if told.get("Type", "").endswith(_KIND):
            found.append(told.get("Target", ""))

    if _RELATIONS in package.namelist():
        _run(package, _RELATIONS, path, start)
    return found[0] if found else _ROOT


def _parse(package: zipfile.ZipFile, name: str, path: Path) -> _Model:
    model, thing = _Model(), _Object()

    def start(tag: str, told: dict[str, str]) -> None:
        nonlocal thing
        if tag == "vertex":
            thing.vertices.extend((float(told["x"]), float(told["y"]), float(told["z"])))
        elif tag == "triangle":
            thing.triangles.extend((int(told["v1"]), int(told["v2"]), int(told["v3"])))
        elif tag == "object":
            thing = model.objects[told["id"]] = _Object()
        elif tag == "component":
            thing.parts.append(_reference(told))
        elif tag == "item":
            model.build.append(_reference(told))
        elif tag == "model":
            model.unit = told.get("unit", "millimeter")

    _run(package, name, path, start)
    return model


def _reference(told: dict[str, str]) -> _Reference:
    file = next((value for key, value in told.items() if key.rpartition(":")[2] == "path"), "")
    matrix = np.eye(4)
    if "transform" in told:
        # Twelve numbers, four rows of three, for row vectors times the matrix.
        matrix[:3] = np.array(told["transform"].split(), float).reshape(4, 3).T
    return _Reference(told["objectid"], file, matrix)


def _run(package: zipfile.ZipFile, name: str, path: Path, start: object) -> None:
    """Every element of an XML file to `start`, by its name without prefix; no entities, nothing else is opened."""
    if name not in package.namelist():
        raise DataError(f"{path.name} is no 3MF file, or damaged: {name[:80]!r} isn't in it: export it again")

    def refuse(*_: object) -> None:
        raise DataError(f"{path.name} is no 3MF file: its description declares types of its own, which 3MF forbids")

    parser = expat.ParserCreate()
    parser.StartElementHandler = lambda tag, told: start(tag.rpartition(":")[2], told)  # type: ignore[operator]
    parser.StartDoctypeDeclHandler = refuse
    try:
        parser.ParseFile(archive.member(package, name, path))
    except (expat.ExpatError, KeyError, ValueError, OverflowError) as error:
        raise DataError(
            f"{path.name} is damaged: its description is none of 3MF ({str(error)[:80]}): export it again"
        ) from error
