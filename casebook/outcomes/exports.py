"""Exports: asked for, made, fetched. Each acts for one shop."""

from __future__ import annotations

import json
import logging
import os
import shutil
from datetime import timedelta
from pathlib import Path
from typing import Any, Final
from uuid import UUID

from django.conf import settings
from django.utils import timezone

from casebook.cases.outbox import EXPORT, note_effect
from casebook.errors import Conflict, InvalidDocument, NotFound
from casebook.outcomes.files import (
    CSV_NAME,
    DESCRIPTION_NAME,
    columns_of,
    describe_file,
    hash_file,
    lines_of,
    write_csv,
)
from casebook.outcomes.models import FAILED, FINISHED, QUEUED, RUNNING, ExportJob
from casebook.outcomes.requests import ExportRequest, read_statistics_query
from casebook.outcomes.statistics import outcome_statistics
from casebook.shops.models import Shop
from casebook.shops.tenancy import acting_for

log = logging.getLogger("casebook.exports")

KEEP: Final = timedelta(days=30)
UNEXPECTED: Final = "Something went wrong on our side; ask for it again, and tell the operator."


def create_export(*, shop: Shop, request: ExportRequest) -> ExportJob:
    """Notes the job; a worker makes the file soon after."""
    with acting_for(shop.pk):
        job = ExportJob.objects.create(
            shop=shop, format=request.format, query=request.query.as_document()
        )
        note_effect(EXPORT, _key_of(job))
        return job


def get_export(*, shop: Shop, export_id: UUID) -> ExportJob:
    """Raises NotFound."""
    with acting_for(shop.pk):
        job = ExportJob.objects.filter(shop=shop, pk=export_id).first()
    if job is None:
        raise NotFound()
    return job


def list_exports(*, shop: Shop, limit: int = 50) -> list[ExportJob]:
    """The latest first."""
    with acting_for(shop.pk):
        jobs = ExportJob.objects.filter(shop=shop)
        return list(jobs.order_by("-created_at", "-pk")[:limit])


def describe_export(job: ExportJob) -> dict[str, Any]:
    """Plain values for an answer. dictionary: the columns of the file."""
    resource = (job.description or {}).get("resources", [{}])[0]
    how = (job.description or {}).get("casebook", {})
    return {
        "id": str(job.pk),
        "state": job.state,
        "format": job.format,
        **job.query,
        "created_at": job.created_at.isoformat(),
        "finished_at": None if job.finished_at is None else job.finished_at.isoformat(),
        "rows": job.rows,
        "file_name": job.file_name or None,
        "sha256": resource.get("hash", "").removeprefix("sha256:") or None,
        "snapshot": how.get("snapshot"),
        "method_version": how.get("method_version"),
        "dictionary": resource.get("schema", {}).get("fields", []),
        "error": job.error or None,
    }


def export_file(*, shop: Shop, export_id: UUID) -> tuple[Path, str]:
    """Where the finished file lies, and the name to give it when it is fetched.

    Raises NotFound, also where the file has been cleared away, and Conflict where there is none
    yet or never will be.
    """
    job = get_export(shop=shop, export_id=export_id)
    if job.state == FAILED:
        raise Conflict(f"This export failed: {job.error}", code="export_failed")
    if job.state != FINISHED:
        raise Conflict("The file is still being made; try again soon.", code="export_not_ready")
    path = _folder_of(job) / CSV_NAME
    if not path.is_file():
        raise NotFound("This file has been cleared away; ask for the export again.")
    return path, job.file_name


def make_export(key: str) -> None:
    """Makes the file of a job, named by the key in its outbox row. Safe to repeat: a finished job
    stays as it is, and of two workers at one job the second leaves it to the first."""
    shop_id, export_id = (UUID(part) for part in key.split("/"))
    with acting_for(shop_id):
        ExportJob.objects.filter(pk=export_id, state=QUEUED).update(state=RUNNING)
    with acting_for(shop_id):
        job = (
            ExportJob.objects.select_for_update(skip_locked=True)
            .filter(pk=export_id, state=RUNNING)
            .first()
        )
        if job is None:
            return
        try:
            _write(job)
        except InvalidDocument as error:
            job.state, job.error = FAILED, "; ".join(fault.detail for fault in error.errors)
        except OSError as error:
            log.exception("export %s", job.pk)
            job.state, job.error = FAILED, f"The file could not be written: {error.strerror}."
        job.finished_at = timezone.now()
        job.save()


def give_up_export(key: str) -> None:
    """Marks a job as failed that met an error nobody foresaw."""
    shop_id, export_id = (UUID(part) for part in key.split("/"))
    with acting_for(shop_id):
        ExportJob.objects.filter(pk=export_id).exclude(state=FINISHED).update(
            state=FAILED, error=UNEXPECTED, finished_at=timezone.now()
        )


def remove_old_exports(*, shop: Shop) -> int:
    """Forgets jobs older than KEEP, with their files. Returns how many."""
    with acting_for(shop.pk):
        old = list(ExportJob.objects.filter(shop=shop, created_at__lt=timezone.now() - KEEP))
        for job in old:
            shutil.rmtree(_folder_of(job), ignore_errors=True)
            job.delete()
        return len(old)


def write_statistics(answer: dict[str, Any], path: Path, description_path: Path) -> dict[str, Any]:
    """Writes table and description, each whole or not at all. Returns the description.

    Raises OSError.
    """
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        with part.open("w", encoding="utf-8", newline="") as file:
            lines = write_csv(columns_of(answer["dimensions"]), lines_of(answer), file)
            _flush(file)
        description = describe_file(
            answer,
            name=path.name,
            content_hash=hash_file(part),
            size_bytes=part.stat().st_size,
            lines=lines,
        )
        _write_json(description, description_path)
        # The table last: where it is, its description is too.
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
    return description


def _write_json(value: dict[str, Any], path: Path) -> None:
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        with part.open("w", encoding="utf-8") as file:
            json.dump(value, file, ensure_ascii=False, indent=2)
            file.write("\n")
            _flush(file)
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def _flush(file: Any) -> None:
    file.flush()
    os.fsync(file.fileno())


def _write(job: ExportJob) -> None:
    answer = outcome_statistics(read_statistics_query(job.query))
    folder = _folder_of(job)
    folder.mkdir(parents=True, exist_ok=True, mode=0o750)
    job.description = write_statistics(answer, folder / CSV_NAME, folder / DESCRIPTION_NAME)
    job.rows = job.description["resources"][0]["rows"]
    job.file_name = f"casebook-statistics-{answer['as_of'][:10]}-{str(job.pk)[-8:]}.csv"
    job.state, job.error = FINISHED, ""


def _folder_of(job: ExportJob) -> Path:
    return Path(settings.EXPORT_DIR) / str(job.shop_id) / str(job.pk)


def _key_of(job: ExportJob) -> str:
    # The shop too: without it the database would show the worker no job at all.
    return f"{job.shop_id}/{job.pk}"
