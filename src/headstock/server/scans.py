"""Addresses of scans: pages, volumes, corrections, the stock profile. A shell like app.py: no formula, no workflow."""

from collections.abc import Callable
from datetime import datetime
from typing import Literal

from fastapi import FastAPI, Request, Response

from headstock.desk.desk import Desk, reader
from headstock.desk.scans import actions, beside, page, stock, volumes, working
from headstock.jobs import Job, Runner
from headstock.server import schema
from headstock.server.raw import raw

__all__ = ["scan_routes"]


class UseScanIn(schema.Given):
    """Whether a scan counts for this hip."""

    used: bool


def scan_routes(
    app: FastAPI, desk: Desk, runner: Runner, clock: Callable[[], datetime], job_out: Callable[[Job], schema.JobOut]
) -> None:
    """Put the addresses of scans into the application."""

    @app.get("/api/scans/{scan}")
    def one_scan(scan: str, hip: str | None = None) -> schema.ScanPage:
        return page.scan_page(desk, scan, hip, today=clock().date())

    @app.post("/api/scans/{scan}/read")
    def read(scan: str, given: schema.ReadScanIn, hip: str | None = None) -> schema.JobOut:
        return job_out(working.begin_reading(desk, runner, scan, hip, given, who=reader(desk), now=clock()))

    @app.post("/api/scans/{scan}/mark")
    def mark(scan: str, given: schema.MarkIn, hip: str | None = None) -> schema.JobOut:
        return job_out(working.begin_marking(desk, runner, scan, hip, given, who=reader(desk), now=clock()))

    @app.put("/api/scans/{scan}/side")
    def side(scan: str, given: schema.ScanSideIn, hip: str | None = None) -> schema.ScanPage:
        return actions.say_side(desk, scan, given, hip, who=reader(desk), now=clock())

    @app.put("/api/scans/{scan}/calibration")
    def calibration(scan: str, given: schema.CalibrationIn, hip: str | None = None) -> schema.ScanPage:
        return actions.calibrate(desk, scan, given, hip, who=reader(desk), now=clock())

    @app.put("/api/scans/{scan}/edits")
    def edits(scan: str, given: schema.EditsIn, hip: str | None = None) -> schema.EditKept:
        return actions.keep_edits(desk, scan, hip, given, who=reader(desk), now=clock())

    @app.post("/api/scans/{scan}/edits/{way}")
    def move(scan: str, way: Literal["undo", "redo"], hip: str | None = None) -> schema.EditKept:
        return actions.move_edits(desk, scan, hip, way, who=reader(desk), now=clock())

    @app.get("/api/scans/{scan}/grey")
    def grey(scan: str, request: Request, hip: str | None = None) -> Response:
        return raw(*volumes.grey_bytes(desk, scan, hip), request)

    @app.get("/api/scans/{scan}/labels")
    def labels(scan: str, request: Request, hip: str | None = None) -> Response:
        return raw(*volumes.label_bytes(desk, scan, hip), request)

    @app.get("/api/scans/{scan}/mesh/{part}")
    def mesh(scan: str, part: str, request: Request, hip: str | None = None) -> Response:
        return raw(*volumes.part_bytes(desk, scan, hip, part), request)

    @app.get("/api/solids/{family}/{size}")
    def solid(family: str, size: str, request: Request) -> Response:
        return raw(*volumes.solid_bytes(desk, family, size), request)

    @app.post("/api/hips/{hip}/scans/{scan}/use")
    def use(hip: str, scan: str, given: UseScanIn) -> Response:
        actions.use_scan(desk, hip, scan, given.used, who=reader(desk), now=clock())
        return Response(status_code=204)

    @app.get("/api/hips/{hip}/stock")
    def stock_page(hip: str) -> schema.StockPage:
        return stock.stock_page(desk, hip, today=clock().date())

    @app.get("/api/hips/{hip}/stock/picture.png")
    def stock_picture(hip: str) -> Response:
        return Response(stock.stock_picture(desk, hip, today=clock().date()), media_type="image/png")

    @app.post("/api/hips/{hip}/stock/cut")
    def cut(hip: str, given: schema.CutIn) -> schema.CutLevelOut:
        return stock.drag_cut(desk, hip, given, who=reader(desk), now=clock())

    @app.get("/api/hips/{hip}/agreement")
    def agreement(hip: str) -> schema.AgreementPage:
        return beside.agreement_page(desk, hip, today=clock().date())

    @app.get("/api/hips/{hip}/planned-film")
    def planned(hip: str) -> schema.PlannedFilmOut:
        return beside.planned_film_page(desk, hip, today=clock().date())

    @app.get("/api/hips/{hip}/planned-film.png")
    def planned_png(hip: str) -> Response:
        return Response(beside.planned_film_png(desk, hip, today=clock().date()), media_type="image/png")

    @app.get("/api/hips/{hip}/film-beside.png")
    def film_png(hip: str) -> Response:
        return Response(beside.real_film_png(desk, hip, today=clock().date()), media_type="image/png")

    @app.get("/api/hips/{hip}/space/{level}.png")
    def space_png(hip: str, level: schema.LevelName) -> Response:
        return Response(beside.space_png(desk, hip, level, today=clock().date()), media_type="image/png")
