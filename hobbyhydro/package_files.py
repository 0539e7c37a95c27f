"""Serve exactly the front-end files that we use from the Python packages that ship them."""

from collections.abc import Iterable
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from django.contrib.staticfiles.finders import BaseFinder
from django.core.checks import CheckMessage
from django.core.files.storage import FileSystemStorage, Storage

# address under STATIC_URL -> (package, path inside it); the maps are named inside the files, and
# collectstatic refuses a file that names one which is not there
FILES = {
    "vendor/bootstrap.min.css": ("bootstrap", "css/bootstrap.min.css"),
    "vendor/bootstrap.min.css.map": ("bootstrap", "css/bootstrap.min.css.map"),
    "vendor/bootstrap.bundle.min.js": ("bootstrap", "js/bootstrap.bundle.min.js"),
    "vendor/bootstrap.bundle.min.js.map": ("bootstrap", "js/bootstrap.bundle.min.js.map"),
    "vendor/plotly.min.js": ("plotly", "package_data/plotly.min.js"),
}


def located(name: str) -> Path:
    """The file behind an address in FILES."""
    package, inside = FILES[name]
    spec = find_spec(package)
    if spec is None or not spec.submodule_search_locations:
        raise FileNotFoundError(f"the package {package} is not installed")
    return Path(spec.submodule_search_locations[0]) / inside


class _OneRoom(FileSystemStorage):
    """A storage whose names are the addresses in FILES."""

    def path(self, name: str) -> str:
        return str(located(name))


class PackageFilesFinder(BaseFinder):
    """Finds the files named in FILES, and nothing else of those packages."""

    storage = _OneRoom(location="/")

    def check(self, **kwargs: Any) -> list[CheckMessage]:
        return []

    def find(self, path: str, find_all: bool = False, **kwargs: Any) -> Any:
        if path not in FILES:
            return []
        found = str(located(path))
        return [found] if find_all else found

    def list(self, ignore_patterns: Iterable[str] | None) -> Iterable[tuple[str, Storage]]:
        return [(name, self.storage) for name in FILES]
