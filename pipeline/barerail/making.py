"""From a finished job to a part: which stage answers, from which file, and what is written of it."""

from dataclasses import dataclass

from barerail.asked import (
    BetweenSettings,
    BoltOnSettings,
    CopeSettings,
    FlatsSettings,
    OpeningSettings,
    RoomSettings,
)
from barerail.records import CleanScan, Datum, Features, MountPoints, Written
from barerail.settings import Model


@dataclass(frozen=True)
class Finished:
    """What a job knows of a chassis: the datum with what hand measurements say of its scale."""

    clean: CleanScan
    features: Features
    datum: Datum
    points: MountPoints


def make(job: Finished, asked: Model) -> Written:
    """The files that one of the part commands asks for; the kind of `asked` says which."""
    match asked:
        case BetweenSettings():
            return _between(job, asked)
        case BoltOnSettings():
            return _bolt_on(job, asked)
        case RoomSettings():
            return _room(job, asked)
        case CopeSettings():
            return _cope(job, asked)
        case FlatsSettings():
            return _flats(job, asked)
        case OpeningSettings():
            return _opening(job, asked)
    raise TypeError(f"no part command asks for {type(asked).__name__}")


def _between(job: Finished, asked: BetweenSettings) -> Written:
    from barerail.outputs.between import between_files
    from barerail.stages.between import between

    found = between(job.points, job.datum, job.features.noise, asked)
    return between_files(found, job.datum, asked)


def _bolt_on(job: Finished, asked: BoltOnSettings) -> Written:
    from barerail.outputs.bolt_on import bolt_on_files
    from barerail.outputs.bolts import bolt_mm
    from barerail.outputs.naming import file_stem
    from barerail.stages.bolt_on import bolt_on
    from barerail.store.patterns import pattern

    found = bolt_on(
        pattern(asked.file, asked.layer), bolt_mm(asked.bolt), job.points, job.datum, job.features.noise, asked
    )
    stem = file_stem(asked.title or asked.file.stem, "give a --title")
    return bolt_on_files(found, stem, job.datum, asked)


def _room(job: Finished, asked: RoomSettings) -> Written:
    from barerail.outputs.naming import file_stem
    from barerail.outputs.room import room_files
    from barerail.stages.room import room
    from barerail.store.shapes import shape

    part = shape(asked.file, asked.unit)
    found = room(job.clean, job.datum, job.features.noise, part, asked)
    stem = file_stem(asked.title or asked.file.stem, "give a --title")
    return room_files(found, stem, part.name, job.datum, asked)


def _cope(job: Finished, asked: CopeSettings) -> Written:
    from barerail.outputs.cope import cope_files
    from barerail.outputs.naming import file_stem
    from barerail.stages.cope import cope

    found = cope(job.points, job.datum, job.features.noise, asked)
    stem = file_stem(asked.title or f"{asked.tube}-on-{asked.to}", "give a --title")
    return cope_files(found, stem, job.datum, asked)


def _flats(job: Finished, asked: FlatsSettings) -> Written:
    from barerail.outputs.flats import flats_files
    from barerail.outputs.naming import file_stem
    from barerail.stages.flats import flats

    found = flats(job.clean, job.features, job.datum, job.points, asked)
    return flats_files(found, file_stem(asked.title or asked.near or "place", "give a --title"), job.datum, asked)


def _opening(job: Finished, asked: OpeningSettings) -> Written:
    from barerail.outputs.naming import file_stem
    from barerail.outputs.opening import opening_files

    stem = file_stem(asked.title or asked.face or "panel", "give a --title")
    return opening_files(job.clean, job.features, job.datum, job.points, stem, asked)
