"""Pages on a site as a whole: begun with a walk, named, areas drawn over the walks, compared, and lanes ticked."""

import json
from datetime import date
from pathlib import Path

from flask import Blueprint, Response, abort, request
from werkzeug.wrappers import Response as AnyResponse

from fieldcomb.coverage.actions.edit import areas_digest
from fieldcomb.coverage.areas.areas import AREA_KINDS
from fieldcomb.coverage.jobs.job_protocol import AREAS, CHANGE, COMPARE, REOPEN, START, Order
from fieldcomb.coverage.pages.packing import walks_in
from fieldcomb.coverage.site.folder import AREAS_FILE, read_file
from fieldcomb.coverage.site.options_fields import FIELD
from fieldcomb.coverage.web import forms
from fieldcomb.coverage.web.responses import Desk, answer_job, output_page, page_of, served_site, uploaded_files
from fieldcomb.coverage.web.site_views import MAP_PAGE, SiteView, compared_files
from fieldcomb.coverage.web.uploads import MOST_FILES
from fieldcomb.tracks.errors import AreaError, UsageError
from fieldcomb.tracks.text import harmless

DRAWN_NAME = "the areas that you drew"
NO_AREAS_YET = {"type": "FeatureCollection", "features": []}


def area_routes(pages: Blueprint, desk: Desk) -> None:
    """Add these routes to a blueprint."""
    _beginning(pages, desk)
    _drawing(pages, desk)
    _reopening(pages, desk)
    _comparing(pages, desk)


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


def _reopening(pages: Blueprint, desk: Desk) -> None:
    @pages.post("/site/<key>/reopen")
    def open_again(key: str) -> AnyResponse:
        """Open closed ground again: by its name, with the day, and said to be meant, as nobody does by a slip."""
        site, form = served_site(desk, key), request.form
        name = " ".join(form.get("closed", "").split())
        if not name:
            error = UsageError("no place was named", hint="Write its name as it is shown above")
            raise forms.FieldError("closed", error)
        day = _day(form.get("day", ""), "day")
        if form.get("cleared") != "yes":
            hint = "Tick it only when police, archaeological service or owner said so"
            raise UsageError("the box was not ticked, so the ground stays closed", hint=hint)
        return answer_job(desk.jobs.submit(Order(REOPEN, str(site.folder), name=name, since=day)))


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


def _day(text: str, key: str = "since") -> str:
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError as error:
        problem = f"{harmless(text)[:40]!r} is not a day" if text else "no day was picked"
        raise forms.FieldError(key, UsageError(problem, hint="Pick one, or write it like 2026-03-07")) from error
