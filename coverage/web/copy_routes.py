"""Copies to share on the local page: made as a job, and looked at or saved from the folder of copies."""

from flask import Blueprint, abort
from werkzeug.wrappers import Response as AnyResponse

from fieldcomb.coverage.actions.share_copy import COPIES
from fieldcomb.coverage.copies.audience import Audience
from fieldcomb.coverage.copies.copy_page import COPY_FILES
from fieldcomb.coverage.jobs.job_protocol import SHARE, Order
from fieldcomb.coverage.web.responses import Desk, answer_job, output_page, served_site


def copy_routes(pages: Blueprint, desk: Desk) -> None:
    """Add these routes to a blueprint."""

    @pages.post("/site/<key>/copy/<whom>")
    def make_a_copy(key: str, whom: str) -> AnyResponse:
        """Make the copy for owner, club or public."""
        order = Order(SHARE, str(served_site(desk, key).folder), name=_audience(whom).value, draw=False)
        return answer_job(desk.jobs.submit(order))

    @pages.get("/site/<key>/copy/<whom>")
    def made_copy(key: str, whom: str) -> AnyResponse:
        """Show or save the copy that was made last."""
        name = COPY_FILES[_audience(whom)]
        folder = served_site(desk, key).folder / COPIES
        path = folder / name
        if folder.is_symlink() or path.is_symlink() or not path.is_file():
            abort(404)
        return output_page(path, name)


def _audience(whom: str) -> Audience:
    return next((one for one in Audience if one.value == whom), None) or abort(404)
