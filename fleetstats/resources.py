"""Where the SQL models, the page templates and the sample records lie, installed or in a bare checkout."""

from pathlib import Path

from fleetstats.errors import FleetstatsError

_PACKAGE = Path(__file__).resolve().parent


def folder(name: str) -> Path:
    """Return the folder of shipped files called `name`.

    Looks inside the package first (an installed wheel), then beside it (an editable install or a
    bare checkout).

    Parameters
    ----------
    name : str
        "sql", "site_templates" or "sample_data".

    Raises
    ------
    FleetstatsError
        If neither place has the folder: the installation is incomplete.
    """
    for place in (_PACKAGE / name, _PACKAGE.parent / name):
        if place.is_dir():
            return place
    raise FleetstatsError(
        f"the folder '{name}' that belongs to fleetstats was found neither in {_PACKAGE} nor beside it; "
        "the installation is incomplete: install fleetstats again"
    )
