"""An index in a directory: one .npy file per array, and a manifest that vouches for all of them.

    manifest.json   {"format", "cases", "design", "meta", "files", "checksum", …}
    <array>.npy     memory-mapped when opened; processes share the pages

A directory is written under a temporary name beside its place, flushed to disk and renamed, so it
is whole or not there. It is never changed afterwards.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from search.core.design import Design
from search.core.loops.shapes import Bounds, Rows
from search.core.postings import BuiltStatistics, Segment, TermTable
from search.core.profile import CURES, CureModel
from search.core.reading import SLOTS

FORMAT = 2
MANIFEST = "manifest.json"
BUILDING = ".building-"
_TERM_ARRAYS = ("hashes", "names", "name_ends")
_SEGMENT_ARRAYS = (
    "starts docs values block_of ids by_id rank slots unit_kind make year with_outcome cluster"
).split()
_ROW_ARRAYS = {f"row_{name}": name for name in Rows._fields}
_BOUND_ARRAYS = {
    f"bound_{name}": name for name in Bounds._fields if name not in ("block_cases", "block_of")
}
_STATISTICS_ARRAYS = ("mass", "slot_counts")


class IndexDamaged(Exception):
    """The directory doesn't hold a whole index of this format; the message says what is wrong."""


def save(
    directory: Path,
    segment: Segment,
    statistics: BuiltStatistics,
    design: Design,
    meta: dict[str, Any],
) -> None:
    """Raises FileExistsError where `directory` exists, OSError where the disk won't take it."""
    if directory.exists():
        raise FileExistsError(f"{directory} exists")
    directory.parent.mkdir(parents=True, exist_ok=True)
    building = directory.parent / f"{BUILDING}{directory.name}-{os.getpid()}"
    shutil.rmtree(building, ignore_errors=True)
    building.mkdir()
    try:
        files = {}
        for source, names in (
            (segment.terms, _TERM_ARRAYS),
            (segment, _SEGMENT_ARRAYS),
            (statistics, _STATISTICS_ARRAYS),
        ):
            for name in names:
                files[name] = _write_array(building / f"{name}.npy", getattr(source, name))
        for name, source_name in _ROW_ARRAYS.items():
            files[name] = _write_array(building / f"{name}.npy", getattr(segment.rows, source_name))
        for name, source_name in _BOUND_ARRAYS.items() if segment.bounds is not None else ():
            values = getattr(segment.bounds, source_name)
            files[name] = _write_array(building / f"{name}.npy", values)
        for name, values in ({} if design.cures is None else design.cures.to_arrays()).items():
            files[name] = _write_array(building / f"{name}.npy", values)
        manifest: dict[str, Any] = {
            "format": FORMAT,
            "slots": SLOTS,
            "cases": len(segment),
            "design": design.as_dict(),
            "fingerprint": design.fingerprint,
            "meta": meta,
            "block_cases": None if segment.bounds is None else segment.bounds.block_cases,
            "tables": {"unit_kinds": segment.unit_kinds, "makes": segment.makes},
            "files": files,
        }
        manifest["checksum"] = _manifest_checksum(manifest)
        _write_text(building / MANIFEST, json.dumps(manifest, ensure_ascii=False, indent=1))
        sync_directory(building)
        building.rename(directory)
        sync_directory(directory.parent)
    except BaseException:
        shutil.rmtree(building, ignore_errors=True)
        raise


def load(directory: Path) -> tuple[Segment, BuiltStatistics, Design, dict[str, Any]]:
    """Memory-map an index. Every byte is read once and checked, which also warms the cache."""
    manifest = read_manifest(directory)
    try:
        arrays: dict[str, Any] = {
            name: _read_array(directory / f"{name}.npy", about)
            for name, about in manifest["files"].items()
        }
        terms = TermTable(**{name: arrays[name] for name in _TERM_ARRAYS})
        tables: dict[str, Any] = {name: tuple(table) for name, table in manifest["tables"].items()}
        segment = Segment(
            terms=terms,
            rows=Rows(**{name: arrays[stored] for stored, name in _ROW_ARRAYS.items()}),
            bounds=_read_bounds(arrays, manifest["block_cases"]),
            **{name: arrays[name] for name in _SEGMENT_ARRAYS},
            **tables,
        )
        statistics = BuiltStatistics(terms, **{name: arrays[name] for name in _STATISTICS_ARRAYS})
        cures = CureModel.from_arrays(arrays) if CURES in arrays else None
        design = Design.from_dict(manifest["design"], cures)
    except (KeyError, TypeError, ValueError) as error:
        raise IndexDamaged(f"{directory.name}: {error!r}") from error
    return segment, statistics, design, manifest["meta"]


def _read_bounds(arrays: dict[str, Any], block_cases: int | None) -> Bounds | None:
    if block_cases is None:
        return None
    parts = {name: arrays[stored] for stored, name in _BOUND_ARRAYS.items()}
    return Bounds(block_cases=block_cases, block_of=arrays["block_of"], **parts)


def read_manifest(directory: Path) -> dict[str, Any]:
    """The checked manifest. Raises IndexDamaged."""
    try:
        manifest = json.loads((directory / MANIFEST).read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise IndexDamaged(f"{directory.name}: no readable manifest ({error})") from error
    if not isinstance(manifest, dict) or manifest.get("format") != FORMAT:
        raise IndexDamaged(f"{directory.name}: not of format {FORMAT}")
    if manifest.get("checksum") != _manifest_checksum(manifest):
        raise IndexDamaged(f"{directory.name}: the manifest was changed")
    if manifest["slots"] != SLOTS:
        raise IndexDamaged(f"{directory.name}: made with other slots")
    return manifest


def sync_directory(directory: Path) -> None:
    """Make renames in a directory survive a power cut."""
    fd = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def _write_array(path: Path, values: NDArray[Any]) -> dict[str, Any]:
    with path.open("xb") as file:
        np.save(file, np.ascontiguousarray(values), allow_pickle=False)
        file.flush()
        os.fsync(file.fileno())
    return {"bytes": path.stat().st_size, "sha256": _sha256(path)}


def _write_text(path: Path, text: str) -> None:
    with path.open("x", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())


def _read_array(path: Path, about: dict[str, Any]) -> NDArray[Any]:
    try:
        if path.stat().st_size != about["bytes"]:
            raise IndexDamaged(f"{path.parent.name}/{path.name}: wrong size")
        if _sha256(path) != about["sha256"]:
            raise IndexDamaged(f"{path.parent.name}/{path.name}: wrong checksum")
        mapped = np.load(path, mmap_mode="r", allow_pickle=False)
    except OSError as error:
        raise IndexDamaged(f"{path.parent.name}/{path.name}: {error.strerror}") from error
    return np.asarray(mapped)


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _manifest_checksum(manifest: dict[str, Any]) -> str:
    rest = {key: value for key, value in manifest.items() if key != "checksum"}
    text = json.dumps(rest, sort_keys=True, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()
