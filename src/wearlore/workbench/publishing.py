"""The guide's files in the workshop folder: kept, and held against the book and the records that stand there now."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import date
from hashlib import sha256
from pathlib import Path

from wearlore.answers.guide import Published
from wearlore.errors import OutputError
from wearlore.workbench.vehicles import Vehicles

EDITION = "edition.json"  # beside the files: when they were made, and from what


class Publishing(Vehicles):
    """What was published, and the only place into which it may be."""

    @property
    def guide_path(self) -> Path:
        return self.folder / "guide"

    def publish(self, files: Mapping[str, bytes], on: date) -> Published:
        """Keep ``files`` in the folder's ``guide``, whole or not at all each. Raises OutputError."""
        edition = {"on": on.isoformat(), "files": sorted(files), **self._edition()}
        written = {**files, EDITION: json.dumps(edition, indent=2).encode()}
        try:
            self.guide_path.mkdir(exist_ok=True)
            for name, content in written.items():
                path = self.guide_path / name
                beside = path.with_name(f".{name}.new")
                beside.write_bytes(content)
                beside.replace(path)
        except OSError as error:
            problem = f"it cannot be written: {error.strerror}"
            raise OutputError(str(self.guide_path), problem, "Make room, or allow writing there.") from error
        return Published(on, tuple(sorted(files)), ())

    def published(self) -> Published | None:
        """What lies there; None where nothing does."""
        try:
            said = json.loads((self.guide_path / EDITION).read_text(encoding="utf-8"))
            on, files = date.fromisoformat(said["on"]), [str(name) for name in said["files"]]
        except (OSError, ValueError, KeyError, TypeError):
            return None
        there = tuple(name for name in files if (self.guide_path / Path(name).name).is_file())
        changed = tuple(what for what, digest in self._edition().items() if said.get(what) != digest)
        return Published(on, there, changed) if there else None

    def _edition(self) -> dict[str, str]:
        """The book and the records, so that a change of either is seen."""
        path = self.book_path
        files = sorted(path.rglob("*.yaml")) if path.is_dir() else [path]
        book = sha256(b"\0".join(file.read_bytes() for file in files)).hexdigest()
        records = sha256(repr(self.records()).encode()).hexdigest() if self.store_path.exists() else ""
        return {"book": book, "records": records}
