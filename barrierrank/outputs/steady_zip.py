"""Zip files whose bytes depend on nothing but what is in them."""

from __future__ import annotations

import zipfile
from pathlib import Path
from typing import Any


class SteadyZip(zipfile.ZipFile):
    """A zip file whose entries carry one fixed date: the same content gives the same bytes."""

    def writestr(self, zinfo_or_arcname: Any, data: Any, *args: Any, **options: Any) -> None:
        if isinstance(zinfo_or_arcname, str):
            zinfo_or_arcname = self._entry(zinfo_or_arcname)
        super().writestr(zinfo_or_arcname, data, *args, **options)

    def write(self, filename: Any, arcname: Any = None, *_args: Any, **_options: Any) -> None:
        entry = self._entry(str(arcname or filename))
        with Path(filename).open("rb") as source, self.open(entry, "w") as sink:
            while block := source.read(1 << 20):
                sink.write(block)

    def _entry(self, name: str) -> zipfile.ZipInfo:
        info = zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))
        info.compress_type = self.compression
        info.external_attr = 0o600 << 16
        return info
