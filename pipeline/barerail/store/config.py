"""Settings files: read with every fault named by its line, and the defaults written with their comments."""

import json
import re
import tomllib
from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo

from barerail.asked import (
    BetweenSettings,
    BoltOnSettings,
    CopeSettings,
    FlatsSettings,
    OpeningSettings,
    RoomSettings,
    SectionSettings,
    TemplateSettings,
)
from barerail.errors import UsageError
from barerail.settings import ExportSettings, Model, Settings

ASKED: Mapping[str, type[Model]] = {
    "export": ExportSettings,
    "template": TemplateSettings,
    "section": SectionSettings,
    "between": BetweenSettings,
    "bolt-on": BoltOnSettings,
    "room": RoomSettings,
    "cope": CopeSettings,
    "flats": FlatsSettings,
    "opening": OpeningSettings,
}

_HEAD = (
    "# Every setting of barerail with its default. Copy what you change into a file of your own\n"
    "# and give that file with --settings; check it with: barerail config --check FILE\n"
)


def read(path: Path) -> Settings:
    """The settings of a TOML file over the defaults; UsageError, with the line, for what isn't one."""
    text, values = _text_of(path)
    return build(values, path.name, text)


def _text_of(path: Path) -> tuple[str, dict[str, Any]]:
    try:
        text = path.read_text("utf-8-sig")
        return text, tomllib.loads(text)
    except OSError as error:
        raise UsageError(f"can't read the settings file {path}: {error.strerror}") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UsageError(f"{path.name} is no TOML: {error}") from error


def build(values: Mapping[str, Any], file: str, text: str = "") -> Settings:
    """Settings from plain values; UsageError names each fault: `file` and its line in `text`, key, what is allowed."""
    try:
        return Settings.model_validate(values)
    except ValidationError as error:
        faults = dict.fromkeys(_fault(dict(e), file, text) for e in error.errors())
        raise UsageError("; ".join(faults)) from error


def changed(settings: Settings, changes: Mapping[str, Any], file: str = "the command line") -> Settings:
    """The settings with some values replaced, by dotted name like `datum.front`."""
    values = settings.model_dump()
    for name, value in changes.items():
        section, key = name.split(".")
        values[section][key] = value
    return build(values, file)


def asked(settings: Settings, stage: str, values: Mapping[str, Any] | None) -> Model | None:
    """What a stage is asked for in one call: `values` over its settings, or over their defaults where it has none.

    None where nothing is. UsageError for what isn't allowed.
    """
    if values is None:
        return None
    kind, held = ASKED[stage], getattr(settings, stage, None)
    try:
        return kind.model_validate((held.model_dump() if held else {}) | dict(values))
    except ValidationError as error:
        told = (f"{e['loc'][0]} = {e['input']!r}: {_lower(e['msg'])}" for e in error.errors())
        raise UsageError(f"{stage}: {'; '.join(told)}") from error


def _fault(error: Mapping[str, Any], file: str, text: str) -> str:
    keys = [str(part) for part in error["loc"] if isinstance(part, str)]
    name = ".".join(keys[:2])
    section, field = _field(keys)
    line = _line(text, keys)
    place = f"{file} line {line}" if line else file
    if error["type"] == "extra_forbidden":
        known = list(section)
        near = get_close_matches(keys[-1], known, 1, 0.4)
        hint = f"did you mean {near[0]}?" if near else f"known here: {', '.join(known)}"
        return f"{place}: unknown setting {name}; {hint}"
    told = f" ({field.description})" if field and field.description else ""
    return f"{place}: {name} = {error['input']!r}: {_lower(error['msg'])}{told}"


def _lower(message: str) -> str:
    return message[:1].lower() + message[1:]


def _field(keys: list[str]) -> tuple[Mapping[str, FieldInfo], FieldInfo | None]:
    """The section that holds the last of the keys, and its field where there is one."""
    section: Mapping[str, FieldInfo] = Settings.model_fields
    field = section.get(keys[0]) if keys else None
    if len(keys) > 1 and field and isinstance(field.annotation, type) and issubclass(field.annotation, BaseModel):
        section = field.annotation.model_fields
        field = section.get(keys[1])
    return section, field


def _line(text: str, keys: list[str]) -> int:
    """Line of a key in TOML text: under its [section], dotted, or the section's own line; 0 where it isn't found."""
    section, found = "", 0
    for number, line in enumerate(text.splitlines(), 1):
        if header := re.match(r"\s*\[([^\]]+)\]", line):
            section = header[1].strip()
            found = found or number * (keys[:1] == [section])
            if len(keys) == 1 and found:
                return found
        elif assigned := re.match(r"\s*([\w.\"-]+)\s*=", line):
            full = [part.strip('"') for part in f"{section}.{assigned[1]}".strip(".").split(".")]
            if full == keys[: len(full)] and (len(full) > 1 or len(keys) == 1):
                return number
            found = found or number * (full == keys[:1])
    return found


def defaults_toml() -> str:
    """All settings with their defaults as TOML; above each its description and what it may be."""
    return _HEAD + "".join(_section(name, field) for name, field in Settings.model_fields.items())


def _section(name: str, field: FieldInfo) -> str:
    model = field.annotation
    assert isinstance(model, type) and issubclass(model, BaseModel)
    parts = [f"\n# {(model.__doc__ or '').strip()}\n[{name}]\n"]
    parts += [_entry(key, entry) for key, entry in model.model_fields.items()]
    return "".join(parts)


def _entry(key: str, field: FieldInfo) -> str:
    value = field.get_default(call_default_factory=True)
    limits = ", ".join(_limits(field))
    comment = f"# {field.description}{f' [{limits}]' if limits else ''}\n"
    return comment + (f"# {key} = (not set)\n" if value is None else f"{key} = {_toml(value)}\n")


def _limits(field: FieldInfo) -> Iterator[str]:
    """What a field may be, in words: `above 0`, `at least 1`, `one of mm, cm`."""
    for kind in (field.annotation, *get_args(field.annotation)):
        if get_origin(kind) is Literal:
            yield f"one of {', '.join(map(str, get_args(kind)))}"
    words = {"gt": "above", "ge": "at least", "lt": "below", "le": "at most"}
    for limit in field.metadata:
        yield from (f"{word} {getattr(limit, key):g}" for key, word in words.items() if hasattr(limit, key))


def _toml(value: Any) -> str:
    """A plain value as TOML."""
    if isinstance(value, bool | str):
        return json.dumps(value)
    if isinstance(value, BaseModel):
        return _toml(value.model_dump(exclude_defaults=True))
    if isinstance(value, tuple | list):
        return f"[{', '.join(map(_toml, value))}]"
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + "}"
    return repr(value)
