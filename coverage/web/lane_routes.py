"""Lanes on the local page: planned, ticked on a phone, with the files of their plan, and filled-in sheets taken in."""

import json
from collections.abc import Mapping, Sequence
from pathlib import Path

from flask import Blueprint, Response, abort, request
from werkzeug.wrappers import Response as AnyResponse

from fieldcomb.coverage.actions.tick_lanes import keep_ticks
from fieldcomb.coverage.areas.areas import read_areas
from fieldcomb.coverage.jobs.job_protocol import PLAN, SHEET, Order
from fieldcomb.coverage.lanes.declared import DeclaredPlan
from fieldcomb.coverage.lanes.lane_files import CSV_FILE, GPX_FILE
from fieldcomb.coverage.lanes.named_plan import TODO
from fieldcomb.coverage.lanes.sheet import state_of
from fieldcomb.coverage.lanes.ticks import LaneTick, TickedLane, ticked_lanes, told_otherwise
from fieldcomb.coverage.pages.lane_drawings import SHEET_FILE
from fieldcomb.coverage.site.folder import AREAS_FILE, read_file
from fieldcomb.coverage.site.lane_plans import kept_plan, kept_sheet, kept_ticks, plan_folders
from fieldcomb.coverage.site.options_fields import FIELD
from fieldcomb.coverage.site.settings import Typed
from fieldcomb.coverage.web import forms
from fieldcomb.coverage.web.access import KEPT_A_DAY
from fieldcomb.coverage.web.responses import Desk, answer_job, output_page, page_of, served_site, uploaded_files
from fieldcomb.coverage.web.site_views import site_frame_of
from fieldcomb.tracks.errors import AreaError, SiteError, UsageError
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import format_count

MOST_PLANNED_MINUTES = 100_000
MOST_TICK_BYTES = 1_000_000
PLAN_FILES = (SHEET_FILE, GPX_FILE, CSV_FILE)  # of a plan, to be had from its page


def lane_routes(pages: Blueprint, desk: Desk) -> None:
    """Add these routes to a blueprint."""
    _planning(pages, desk)
    _ticking(pages, desk)


def _planning(pages: Blueprint, desk: Desk) -> None:
    @pages.get("/site/<key>/lanes")
    def plan_lanes(key: str) -> AnyResponse:
        """Show what can be asked of a plan."""
        site = served_site(desk, key)
        values = {"field": FIELD, "todo": TODO, "areas": _named_areas(site.folder)}
        return page_of(desk, "plan_lanes", f"Plan lanes on {site.settings.name}", site=site, **values)

    @pages.post("/site/<key>/lanes")
    def order_plan(key: str) -> AnyResponse:
        site, form = served_site(desk, key), request.form
        order = Order(
            PLAN,
            str(site.folder),
            typed=Typed(coil=forms.coil_of_form(form)),
            name=harmless(form.get("plan", "")).strip() or None,
            inside=harmless(form.get("inside", "")) or None,
            minutes=_minutes(form.get("minutes", "").strip()),
            across=form.get("across") == "yes",
            draw=bool(site.outings),
        )
        return answer_job(desk.jobs.submit(order))

    @pages.post("/site/<key>/lanes/<plan>/sheet")
    def order_sheet(key: str, plan: str) -> AnyResponse:
        """Take in a sheet that was filled in; the table of the plan as it was is kept."""
        site, (folder, _) = served_site(desk, key), _plan_of(desk, key, plan)
        files = uploaded_files("sheet")
        if len(files) != 1:
            raise UsageError("no sheet was chosen", hint="Choose the table that you filled in")
        with desk.uploads.taking() as held:
            held.append(desk.uploads.take(files[0]))
            order = Order(SHEET, str(site.folder), files=tuple(held), name=folder.name, draw=bool(site.outings))
            return answer_job(desk.jobs.submit(order))


def _named_areas(site: Path) -> list[str]:
    """Names of the areas in which lanes alone may be planned; none where the file of areas cannot be read."""
    try:
        areas, _ = read_areas(read_file(site / AREAS_FILE, AreaError, name=AREAS_FILE), AREAS_FILE)
    except AreaError:
        return []
    return sorted({area.reason for area in areas if area.reason and area.kind not in ("site", "no-go", "blocked")})


def _minutes(text: str) -> int | None:
    if not text:
        return None
    if not (text.isascii() and text.isdigit() and len(text) < 7 and 1 <= int(text) <= MOST_PLANNED_MINUTES):
        error = UsageError(f"{harmless(text)[:20]!r} is not a number of minutes", hint="Write it like 90")
        raise forms.FieldError("minutes", error)
    return int(text)


def _ticking(pages: Blueprint, desk: Desk) -> None:
    @pages.get("/site/<key>/lanes/<plan>")
    def lanes(key: str, plan: str) -> AnyResponse:
        """Show the lanes with their buttons; what was ticked is asked for by the page, which a phone may keep a day."""
        site = served_site(desk, key)
        found = _plan_of(desk, key, plan)[1]
        answer = page_of(desk, "lanes", f"Lanes of {site.settings.name}", site=site, plan=found)
        answer.headers["Cache-Control"] = KEPT_A_DAY
        return answer

    @pages.get("/site/<key>/lanes/<plan>/file/<name>")
    def lane_file(key: str, plan: str, name: str) -> AnyResponse:
        folder, _ = _plan_of(desk, key, plan)
        path = folder / name if name in PLAN_FILES else None
        return output_page(path, name) if path is not None and path.is_file() and not path.is_symlink() else abort(404)

    @pages.get("/site/<key>/lanes/<plan>/ticks")
    def ticks(key: str, plan: str) -> AnyResponse:
        """Give what was ticked, and what the sheet says; a file that somebody spoiled must not stop the ticking."""
        folder, found = _plan_of(desk, key, plan)
        wrong, sheet, held = list[str](), dict[int, str](), tuple[LaneTick, ...]()
        try:
            lines, notes = kept_sheet(folder, found)
            sheet = state_of(lines)
            wrong += notes
        except SiteError as error:
            wrong.append(str(error))
        try:
            held = kept_ticks(folder, found)
        except SiteError as error:
            wrong.append(str(error))
        told = {
            "kept": [],
            "sheet": sheet,
            "wrong": wrong,
            **_ticked(found, ticked_lanes(held), told_otherwise(held)),
        }
        return Response(json.dumps(told), content_type="application/json")

    @pages.post("/site/<key>/lanes/<plan>/ticks")
    def tick(key: str, plan: str) -> AnyResponse:
        """Keep ticks and say which; done here and now, since a phone may be out of reach a moment later.

        Not sent to the address of the page itself: a browser then throws its copy of that page away.
        """
        folder, found = _plan_of(desk, key, plan)
        sent = _sent_json() if (request.content_length or 0) <= MOST_TICK_BYTES else None
        if not isinstance(sent, dict) or not isinstance(sent.get("ticks"), list):
            raise UsageError("that is not a list of ticks", hint="Open the page of the lanes again")
        done = keep_ticks(folder.parent.parent, plan, str(sent.get("phone", "")), sent["ticks"], say=lambda _note: None)
        refused = (
            [] if done.refused == 0 else [f"{format_count(done.refused, 'tick')} of no lane of this plan: not kept"]
        )
        told = {
            "kept": done.kept,
            "refused": refused,
            **_ticked(found, done.lanes, done.told_otherwise),
        }
        return Response(json.dumps(told), content_type="application/json")


def _sent_json() -> object:
    """Read what was sent; None for what is no JSON."""
    try:
        return json.loads(request.get_data())
    except (ValueError, RecursionError):
        return None


def _ticked(plan: DeclaredPlan, lanes: Mapping[int, TickedLane], otherwise: Sequence[int]) -> dict[str, object]:
    """What holds of each lane, as the page takes it: state, begin and end; and which were closed since."""
    states = {number: [one.state, one.start_ms, one.end_ms] for number, one in lanes.items()}
    return {"lanes": states, "otherwise": otherwise, "closed": plan.closed}


def _plan_of(desk: Desk, key: str, plan: str) -> tuple[Path, DeclaredPlan]:
    """Look a plan up by the key of its site and its name; asked for often, so nothing else of the site is read."""
    site = desk.served.find(key)
    frame = None if site is None else site_frame_of(site)
    folder = next((path for path in plan_folders(site) if path.name == plan), None) if site is not None else None
    return (folder, kept_plan(folder, frame)) if folder is not None and frame is not None else abort(404)
