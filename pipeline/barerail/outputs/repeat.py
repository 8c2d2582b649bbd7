"""A DXF document as text that is the same in every run."""

import io
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ezdxf.document import Drawing


def dxf_text(document: "Drawing") -> str:
    """The document as DXF; classes in the order of their names, which the writer would take from a set."""
    for name in sorted(document.entitydb.dxf_types_in_use()):
        document.classes.add_class(name)
    stream = io.StringIO()
    document.write(stream)
    return stream.getvalue()
