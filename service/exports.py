"""A measurement in other forms: tables for spreadsheets, outlines for drawing programs, patterns for paper."""

import re
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool

from flatmeasure.units import LengthUnit
from service.answers import PdfReply
from service.measurements import Id, RevisionNumber
from service.pictures import Unit, overlay_of
from service.pieces import SVG, SvgReply
from service.replies import file_reply
from service.running import Here, Service
from service.workers import Task

router = APIRouter(prefix="/v1/measurements/{measurement}", tags=["exports"])

DXF, PDF, CSV = "image/vnd.dxf", "application/pdf", "text/csv; charset=utf-8"
HTML = "text/html; charset=utf-8"


class CsvReply(Response):
    """For the API's description."""

    media_type = "text/csv"


class HtmlReply(Response):
    """For the API's description."""

    media_type = "text/html"


class DxfReply(Response):
    """For the API's description."""

    media_type = DXF


@router.get("/table.csv", response_class=CsvReply, summary="A table of the edges or pieces")
async def get_table(
    request: Request,
    service: Here,
    measurement: Id,
    revision: RevisionNumber = None,
    unit: Unit = LengthUnit.MM,
    rows: Annotated[Literal["edges", "pieces"], Query(description="What a row is.")] = "edges",
) -> Response:
    """CSV with a header line (RFC 4180); every value has its standard uncertainty beside it."""
    wanted = {"kind": "table.csv", "unit": str(unit), "choice": rows}
    return await _export(request, service, (measurement, revision), wanted, CSV)


@router.get("/outline.svg", response_class=SvgReply, summary="Outlines as SVG")
async def get_outline_svg(
    request: Request, service: Here, measurement: Id, revision: RevisionNumber = None, unit: Unit = LengthUnit.MM
) -> Response:
    """Outlines, stitching lines, grain and labels in true size; a user unit is a millimetre."""
    wanted = {"kind": "outline.svg", "unit": str(unit), "choice": "plain"}
    return await _export(request, service, (measurement, revision), wanted, SVG)


@router.get("/outline.dxf", response_class=DxfReply, summary="Outlines as DXF")
async def get_outline_dxf(
    request: Request,
    service: Here,
    measurement: Id,
    revision: RevisionNumber = None,
    unit: Unit = LengthUnit.MM,
    layers: Annotated[Literal["plain", "astm"], Query(description="How layers are called.")] = "plain",
) -> Response:
    """Outlines in millimetres."""
    wanted = {"kind": "outline.dxf", "unit": str(unit), "choice": layers}
    return await _export(request, service, (measurement, revision), wanted, DXF)


@router.get("/pattern.pdf", response_class=PdfReply, summary="The pieces to print in true size")
async def get_pattern(
    request: Request,
    service: Here,
    measurement: Id,
    revision: RevisionNumber = None,
    unit: Unit = LengthUnit.MM,
    paper: Annotated[Literal["a4", "letter"], Query(description="Of the pages.")] = "a4",
    tiled: Annotated[bool, Query(description="Over pages to join; or else one sheet as large as needed.")] = True,
) -> Response:
    """The pieces with their seam allowances, grain and names."""
    wanted = {"kind": "pattern.pdf", "unit": str(unit), "choice": paper if tiled else "sheet"}
    return await _export(request, service, (measurement, revision), wanted, PDF)


@router.get("/report.html", response_class=HtmlReply, summary="A report to read or print")
async def get_report(
    request: Request, service: Here, measurement: Id, revision: RevisionNumber = None, unit: Unit = LengthUnit.MM
) -> Response:
    """The photo with its measures and all figures on one page that needs nothing else."""
    stored = await run_in_threadpool(service.measurements.get, measurement, revision)
    wanted = {"kind": "report.html", "unit": str(unit), "overlay": await overlay_of(service, stored, unit)}
    return await _export(request, service, (measurement, stored.revision), wanted, HTML)


async def _export(
    request: Request, service: Service, which: tuple[str, int | None], wanted: dict[str, Any], media_type: str
) -> Response:
    stored = await run_in_threadpool(service.measurements.get, *which)
    payload = {**wanted, "document": stored.document, "name": stored.name}
    content = await service.work(Task("export", payload, service.settings.measure_s))
    ending = wanted["kind"].split(".")[1]
    plain = re.sub(r"[^A-Za-z0-9_-]+", "-", stored.name).strip("-") or "measurement"
    told = {"Content-Disposition": f'inline; filename="{plain}.{ending}"'}
    return file_reply(request, content, media_type, headers=told)
