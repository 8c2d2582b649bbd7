"""Which names of points the settings rest the datum on."""

from barerail.settings import DatumSettings

from .places import is_name, parts_of


def names_in(settings: DatumSettings) -> tuple[str, ...]:
    """The names in [datum], in order, each once; picks, numbers and words of the tool's own are none."""
    texts = [settings.origin, settings.reference if ".." in settings.reference else ""]
    for group in (settings.primary, settings.secondary, settings.tertiary, settings.known):
        texts += list(group)
    return tuple(dict.fromkeys(part for text in texts for part in parts_of(text) if is_name(part)))
