"""Pages on a site as a whole: begun with a walk, named, areas drawn over the walks, compared, and lanes ticked."""

import json
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

from flask import Blueprint, Response, abort, request
from werkzeug.wrappers import Response as AnyResponse

from fieldcomb.coverage.actions.edit import areas_digest
from fieldcomb.coverage.actions.tick_lanes import keep_ticks
from fieldcomb.coverage.areas.areas import AREA_KINDS
from fieldcomb.coverage.jobs.job_protocol import AREAS, CHANGE, COMPARE, START, Order
from fieldcomb.coverage.lanes.declared import DeclaredPlan
from fieldcomb.coverage.lanes.lane_files import CSV_FILE, GPX_FILE
from fieldcomb.coverage.lanes.sheet import state_of
from fieldcomb.coverage.lanes.ticks import LaneTick, TickedLane, ticked_lanes, told_otherwise
from fieldcomb.coverage.pages.lane_drawings import SHEET_FILE
from fieldcomb.coverage.pages.packing import walks_in
from fieldcomb.coverage.site.folder import AREAS_FILE, read_file
from fieldcomb.coverage.site.lane_plans import kept_plan, kept_sheet, kept_ticks, plan_folders
from fieldcomb.coverage.site.options_fields import FIELD
from fieldcomb.coverage.web import forms
from fieldcomb.coverage.web.access import KEPT_A_DAY
from fieldcomb.coverage.web.responses import Desk, answer_job, output_page, page_of, served_site, uploaded_files
from fieldcomb.coverage.web.site_views import MAP_PAGE, SiteView, compared_files, site_frame_of
from fieldcomb.coverage.web.uploads import MOST_FILES
from fieldcomb.tracks.errors import AreaError, SiteError, UsageError
from fieldcomb.tracks.text import harmless
from fieldcomb.tracks.units import format_count

MOST_TICK_BYTES = 1_000_000
PLAN_FILES = (SHEET_FILE, GPX_FILE, CSV_FILE)  # of a plan, to be had from its page
DRAWN_NAME = "the areas that you drew"
NO_AREAS_YET = {"type": "FeatureCollection", "features": []}


def area_routes(pages: Blueprint, desk: Desk) -> None:
    """Add these routes to a blueprint."""
    _beginning(pages, desk)
    _drawing(pages, desk)
    _comparing(pages, desk)
    _ticking(pages, desk)


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


def _beginning(pages: Blueprint, desk: Desk) -> None:
    @pages.post("/start")
    def start() -> AnyResponse:
        """Begin a site with its first walks; it is named after the first of them until somebody names it."""
        typed, uploads = forms.typed_of_form(request.form), uploaded_files("tracks")
        if not uploads:
            raise UsageError("no recording was chosen", hint="Drop a recording on the page, or choose one")
        if len(uploads) > MOST_FILES:
            raise UsageError(f"{len(uploads)} files are too many at once", hint=f"Send at most {MOST_FILES} at a time")
        zone = forms.text_of_field(request.form, "zone") or "UTC"
        with desk.uploads.taking() as held:
            for upload in uploads:
                held.append(desk.uploads.take(upload))
            folder = desk.served.free_place(Path(held[0].name).stem)
            order = Order(START, str(folder), files=tuple(held), typed=typed, name=folder.name, zone=zone)
            return answer_job(desk.jobs.submit(order))

    @pages.post("/site/<key>/change")
    def change(key: str) -> AnyResponse:
        site = served_site(desk, key)
        typed = {"name": forms.site_name(request.form), "zone": forms.text_of_field(request.form, "zone")}
        changes = {name: text for name, text in typed.items() if text is not None}
        draw = bool(site.outings)
        return answer_job(desk.jobs.submit(Order(CHANGE, str(site.folder), changes={**changes}, draw=draw)))


def _drawing(pages: Blueprint, desk: Desk) -> None:
    @pages.get("/site/<key>/areas")
    def areas(key: str) -> AnyResponse:
        site = served_site(desk, key)
        content = _areas_file(site)
        values = {"kinds": AREA_KINDS, "known": areas_digest(content), "has_areas": content is not None}
        return page_of(desk, "areas", f"Areas of {site.settings.name}", site=site, **values)

    @pages.get("/site/<key>/ground.json")
    def ground(key: str) -> AnyResponse:
        """Give what the areas are drawn over: the areas as they are, and the walks of the last map."""
        site = served_site(desk, key)
        content = _areas_file(site)
        drawn = next((file.path for file in site.files if file.name == MAP_PAGE), None)
        told = {
            "areas": NO_AREAS_YET if content is None else _geojson(content),
            "walks": None if drawn is None else walks_in(drawn.read_text("utf-8", "replace")),
        }
        return Response(json.dumps(told), content_type="application/json")

    @pages.post("/site/<key>/areas")
    def draw_areas(key: str) -> AnyResponse:
        site = served_site(desk, key)
        text = request.form.get("areas", "")
        if not text.strip():
            raise UsageError("nothing was drawn", hint="Draw the edge of the site on the plan")
        with desk.uploads.taking() as held:
            held.append(desk.uploads.take_text(DRAWN_NAME, text))
            known = request.form.get("known", "")
            order = Order(AREAS, str(site.folder), boundary=held[0], known=known, draw=bool(site.outings))
            return answer_job(desk.jobs.submit(order))


def _areas_file(site: SiteView) -> bytes | None:
    path = site.folder / AREAS_FILE
    return read_file(path, AreaError, name=AREAS_FILE) if path.exists() else None


def _geojson(content: bytes) -> object:
    try:
        return json.loads(content)
    except (ValueError, RecursionError) as error:
        raise AreaError("cannot be shown here", file=AREAS_FILE, hint="Correct it in any GIS") from error


def _comparing(pages: Blueprint, desk: Desk) -> None:
    @pages.get("/site/<key>/compare")
    def compare(key: str) -> AnyResponse:
        site = served_site(desk, key)
        files = compared_files(site.folder)
        field = FIELD["depth"]
        return page_of(desk, "compare", f"Compare on {site.settings.name}", site=site, files=files, depth=field)

    @pages.post("/site/<key>/compare")
    def draw_comparison(key: str) -> AnyResponse:
        site = served_site(desk, key)
        between, since, form = None, None, request.form
        if form.get("how") == "two":
            between = (form.get("first", ""), form.get("second", ""))
            if between[0] == between[1]:
                raise UsageError("that is one outing twice", hint="Choose two different ones")
            if any(site.outing(one) is None for one in between):
                abort(404)
        elif form.get("how") == "since":
            since = _day(form.get("since", ""))
        depth = forms.text_of_field(form, "depth")
        order = Order(COMPARE, str(site.folder), between=between, since=since, depth=depth, draw=False)
        return answer_job(desk.jobs.submit(order))

    @pages.get("/site/<key>/compared/<name>")
    def compared(key: str, name: str) -> AnyResponse:
        found = next((file for file in compared_files(served_site(desk, key).folder) if file.name == name), None)
        return output_page(found.path, name) if found is not None else abort(404)


def _day(text: str) -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError as error:
        problem = f"{harmless(text)[:40]!r} is not a day" if text else "no day was picked"
        raise forms.FieldError("since", UsageError(problem, hint="Pick one, or write it like 2026-03-07")) from error
