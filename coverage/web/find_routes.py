"""The page of finds, made for a phone: a card for each find, saved field by field, with photographs."""

import json
from pathlib import Path

from flask import Blueprint, Response, abort, request
from werkzeug.wrappers import Response as AnyResponse

from fieldcomb.coverage.jobs.job_protocol import COLLECT, Order
from fieldcomb.coverage.register.keep_cards import KeptCards, find_cards, keep_changes, new_card
from fieldcomb.coverage.register.photos import MOST_PHOTO_BYTES, keep_photo, photo_kind
from fieldcomb.coverage.site.folder import PHOTOS, read_file
from fieldcomb.coverage.web.access import KEPT_A_DAY
from fieldcomb.coverage.web.responses import Desk, answer_job, page_of, served_site, uploaded_files
from fieldcomb.coverage.web.uploads import shown_name
from fieldcomb.tracks.errors import SiteError, UsageError

MOST_MESSAGE_BYTES = 4_000_000
NO_CARDS: dict[str, object] = {"kept": [], "refused": {}, "cards": []}


def find_routes(pages: Blueprint, desk: Desk) -> None:
    """Add these routes to a blueprint."""
    _cards(pages, desk)
    _photos(pages, desk)

    @pages.post("/site/<key>/finds/collect")
    def collect(key: str) -> AnyResponse:
        """Collect finds from the marks of all outings, which takes as long as reading them."""
        return answer_job(desk.jobs.submit(Order(COLLECT, str(served_site(desk, key).folder), draw=False)))


def _cards(pages: Blueprint, desk: Desk) -> None:
    @pages.get("/site/<key>/finds")
    def finds(key: str) -> AnyResponse:
        """Show the page; its cards are asked for by itself, so a phone may keep it a day."""
        site = served_site(desk, key)
        answer = page_of(desk, "finds", f"Finds of {site.settings.name}", site=site)
        answer.headers["Cache-Control"] = KEPT_A_DAY
        return answer

    @pages.get("/site/<key>/finds/cards")
    def cards(key: str) -> AnyResponse:
        """Give all cards; a file that somebody spoiled is told, and stops nothing else."""
        try:
            return _told(find_cards(served_site(desk, key).folder, say=_quiet))
        except SiteError as error:
            return _json(NO_CARDS | {"notes": [str(error)]})

    @pages.post("/site/<key>/finds/cards")
    def change_cards(key: str) -> AnyResponse:
        """Keep changes and say which; done here and now, since a phone may be out of reach a moment later."""
        site = served_site(desk, key)
        sent = request.get_json(silent=True) if (request.content_length or 0) <= MOST_MESSAGE_BYTES else None
        if not isinstance(sent, dict) or not isinstance(sent.get("changes"), list):
            raise UsageError("that is not a list of changes", hint="Open the page of the finds again")
        return _told(keep_changes(site.folder, sent["changes"], say=_quiet), some=True)

    @pages.post("/site/<key>/finds/new")
    def new_find(key: str) -> AnyResponse:
        """Add a find with the next number, once for each id that the page made."""
        form = request.form
        folder, kind, outing = served_site(desk, key).folder, form.get("kind", ""), form.get("outing", "")
        return _json({"find": new_card(folder, form.get("id", ""), kind, outing, say=_quiet)})


def _photos(pages: Blueprint, desk: Desk) -> None:
    @pages.post("/site/<key>/finds/photo")
    def take_photo(key: str) -> AnyResponse:
        """Keep one photograph of a find; one that is sent again is kept once."""
        site, files = served_site(desk, key), uploaded_files("photo")
        number, photo_id = request.form.get("find", ""), request.form.get("id", "")
        if len(files) != 1 or not number.isdecimal() or len(number) > 9 or not photo_id.isalnum():
            raise UsageError("no picture was chosen", hint="Take one, or choose one")
        data = files[0].stream.read(MOST_PHOTO_BYTES + 1)
        name = keep_photo(site.folder, int(number), photo_id, shown_name(files[0].filename), data, say=_quiet)
        return _json({"photo": name})

    @pages.get("/site/<key>/finds/photo/<name>")
    def photo(key: str, name: str) -> AnyResponse:
        path = _photo_path(served_site(desk, key).folder, name)
        data = read_file(path, SiteError, name=name)
        kind = photo_kind(data)
        if kind is None or not kind.shown:
            head = {"Content-Disposition": "attachment"}
            return Response(data, content_type="application/octet-stream", headers=head)
        return Response(data, content_type=kind.media)


def _photo_path(site: Path, name: str) -> Path:
    """Find a photograph among those that lie in the site; nothing is followed out of it."""
    folder = site / PHOTOS
    if folder.is_symlink() or not folder.is_dir():
        abort(404)
    found = (path for path in folder.iterdir() if path.name == name and path.is_file() and not path.is_symlink())
    return next(found, None) or abort(404)


def _told(done: KeptCards, *, some: bool = False) -> Response:
    """Answer with what became of changes; ``some``: only the cards that were changed are in it."""
    told = {"kept": done.kept, "refused": done.refused, "cards": done.cards, "notes": done.notes[:20], "some": some}
    return _json(told)


def _json(told: object) -> Response:
    return Response(json.dumps(told), content_type="application/json")


def _quiet(_note: object) -> None:
    """Take a note of the folder, which the page shows elsewhere."""
