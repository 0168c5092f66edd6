"""The addresses of the page and what is behind each."""

from __future__ import annotations

import json
from dataclasses import asdict
from functools import partial

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from meniscal_measure.errors import InputError, UsageError
from meniscal_measure.records.journal import Signing, Verdict
from meniscal_measure.records.notice import NOTICE
from meniscal_measure.report.window import display_window
from meniscal_measure.review.desk import Desk, OpenTask
from meniscal_measure.review.drafts import Draft
from meniscal_measure.review.endpoints import SERIES_HEADER, Answer, Json, endpoint
from meniscal_measure.review.knee import middle_pixels, why_not_proposed
from meniscal_measure.review.measuring import Measured, measure_live, measure_state, snap_landmark
from meniscal_measure.review.page_files import page_routes, slice_answer
from meniscal_measure.review.present import (
    hidden_on_page,
    knee_on_page,
    measured_on_page,
    proposal_on_page,
)
from meniscal_measure.review.side_planes import SidePlane, cut_line, side_planes
from meniscal_measure.review.signed_content import REJECTION_REASONS
from meniscal_measure.review.signing import OnScreen, reject, reject_unopened, sign, withdraw
from meniscal_measure.review.state import State, with_proposal
from meniscal_measure.review.visits import visit_on_page
from meniscal_measure.series.model import Stack
from meniscal_measure.series.pixels import read_pixels

MAX_VIEW_LENGTH = 2000


def application(desk: Desk) -> Starlette:
    """Build the application; `meniscal_measure.review.guard.Guard` goes before it."""
    task = "/api/tasks/{task}"
    answers: list[tuple[str, str, Answer[Desk]]] = [
        ("GET", "/api/tasks", _tasks),
        ("GET", task, _knee),
        ("GET", task + "/desk", _desk),
        ("GET", task + "/proposal", _proposal),
        ("GET", task + "/sending", _sending),
        ("GET", task + "/earlier", _earlier),
        ("GET", task + "/earlier/slices/{index:int}", _earlier_slice),
        ("POST", task + "/begin-again", _begin_again),
        ("GET", task + "/slices/{index:int}", _slice),
        ("GET", task + "/planes/{plane:int}/{index:int}", _plane_slice),
        ("GET", task + "/planes/{plane:int}/{index:int}/cuts", _plane_cuts),
        ("POST", task + "/measure", _measure),
        ("POST", task + "/slices/{index:int}/measure", _measure_live),
        ("POST", task + "/slices/{index:int}/propose", _propose),
        ("POST", task + "/snap", _snap),
        ("POST", task + "/change", _change),
        ("POST", task + "/undo", partial(_moved, by=-1)),
        ("POST", task + "/redo", partial(_moved, by=1)),
        ("POST", task + "/view", _view),
        ("POST", task + "/sign", _sign),
        ("POST", task + "/reject", _reject),
        ("POST", task + "/withdraw", _withdraw),
    ]
    routes = [
        Route(path, endpoint(answer, desk), methods=[method]) for method, path, answer in answers
    ]
    return Starlette(routes=[*page_routes("index.html"), *routes])


def _place(desk: Desk, reader: str, request: Request) -> OpenTask:
    return desk.place(reader, request.path_params["task"], request.headers.get(SERIES_HEADER, ""))


def _tasks(desk: Desk, reader: str, request: Request, body: Json) -> Json:
    return {
        "blinded": desk.is_blinded,
        "tasks": desk.tasks(reader),
        "rejection_reasons": REJECTION_REASONS,
        "notice": NOTICE,
    }


def _knee(desk: Desk, reader: str, request: Request, body: Json) -> Json:
    """Answer with what the headers state, so that the first slice is not kept waiting."""
    place = _place(desk, reader, request)
    return {
        "label": place.label,
        "middle": len(place.knee.grids) // 2,
        "window": display_window(middle_pixels(place.shown.stack)),
        **knee_on_page(place.shown),
    }


def _desk(desk: Desk, reader: str, request: Request, body: Json) -> Json:
    """Answer at once with the working state as it was left, or a new one."""
    place = _place(desk, reader, request)
    desk.prepare_from(place, request.path_params["task"])
    draft = desk.begin(place)
    return {
        "view": None if draft.view is None else json.loads(draft.view),
        "may_propose": desk.proposes,
        "is_proposing": not desk.is_blinded and not place.knee.is_complete,
        **proposal_on_page(place.shown),
        **_working(draft, desk, place),
    }


def _proposal(desk: Desk, reader: str, request: Request, body: Json) -> Json | None:
    """Answer once the proposal is there; with nothing if the reader has gone on meanwhile."""
    place = desk.awaited(_place(desk, reader, request))
    if place is None:
        return None
    return {**proposal_on_page(place.shown), "state": place.first_state.as_dict()}


def _begin_again(desk: Desk, reader: str, request: Request, body: Json) -> Json:
    place = desk.complete(_place(desk, reader, request))
    return _working(desk.begin_again(place, int(body["revision"])), desk, place)


def _working(draft: Draft, desk: Desk, place: OpenTask) -> Json:
    signing = desk.journal.latest(place.key)
    return {
        "revision": draft.revision,
        "state": json.loads(draft.state),
        "can_undo": draft.can_undo,
        "can_redo": draft.can_redo,
        "signed": None if signing is None else _signed(signing, json.loads(draft.state), place),
        "sending": _on_its_way(desk, signing),
    }


def _signed(signing: Signing, state: Json, place: OpenTask) -> Json | None:
    if signing.verdict is Verdict.WITHDRAWN:
        return None
    record = signing.record
    is_here = record["series"] is None or record["series"]["key"] == place.knee.images
    return {
        "number": signing.number,
        "at": signing.signed_at,
        "by": signing.key.reader,
        "rejection": record["rejection"],
        "is_current": signing.verdict is Verdict.REJECTED or (is_here and record["state"] == state),
        "elsewhere": not is_here,
    }


def _on_its_way(desk: Desk, signing: Signing | None) -> Json | None:
    if desk.sender is None or signing is None or signing.verdict is not Verdict.MEASURED:
        return None
    return asdict(desk.sender.progress(signing))


def _sending(desk: Desk, reader: str, request: Request, body: Json) -> Json | None:
    signing = desk.journal.latest(desk.key(reader, request.path_params["task"]))
    return _on_its_way(desk, signing)


def _slice(desk: Desk, reader: str, request: Request, body: Json) -> Response:
    return _pixels(_place(desk, reader, request).knee.stack, request.path_params["index"])


def _pixels(stack: Stack, index: int) -> Response:
    return slice_answer(read_pixels(stack, [index])[0])


def _earlier(desk: Desk, reader: str, request: Request, body: Json) -> Json | None:
    """Answer with the earlier visit of the same knee; with nothing where the list holds none."""
    place = _place(desk, reader, request)
    visit = desk.visits.before(desk, place)
    return None if visit is None else visit_on_page(visit, place.knee)


def _earlier_slice(desk: Desk, reader: str, request: Request, body: Json) -> Response:
    visit = desk.visits.before(desk, _place(desk, reader, request))
    index = request.path_params["index"]
    if visit is None or index >= len(visit.knee.grids):
        raise UsageError("There is no such slice.")
    return _pixels(visit.knee.stack, index)


def _side(place: OpenTask, request: Request) -> tuple[SidePlane, int]:
    sides = side_planes(place.shown.study, place.shown.stack)
    plane, index = request.path_params["plane"], request.path_params["index"]
    if plane >= len(sides) or index >= len(sides[plane].stack.frames):
        raise UsageError("There is no such slice.")
    return sides[plane], index


def _plane_slice(desk: Desk, reader: str, request: Request, body: Json) -> Response:
    side, index = _side(_place(desk, reader, request), request)
    return _pixels(side.stack, index)


def _plane_cuts(desk: Desk, reader: str, request: Request, body: Json) -> Json:
    place = _place(desk, reader, request)
    side, index = _side(place, request)
    image = side.stack.frames[index].grid
    (pixels,) = read_pixels(side.stack, [index])
    grids = place.shown.grids if side.is_linked else ()
    return {"window": display_window(pixels), "cuts": [cut_line(image, each) for each in grids]}


def _measure(desk: Desk, reader: str, request: Request, body: Json) -> Json:
    place = _place(desk, reader, request)
    state = desk.state(place, body["state"])
    place = desk.as_proposed(place, state)
    measured = measure_state(place.shown, state, desk.terms.conventions)
    return _as_shown(desk, place, state, measured)


def _as_shown(desk: Desk, place: OpenTask, state: State, measured: Measured) -> Json:
    on_page = hidden_on_page if desk.hides_mm(place, state) else measured_on_page
    return on_page(measured, place.shown)


def _measure_live(desk: Desk, reader: str, request: Request, body: Json) -> Json:
    place, state, index = _on_slice(desk, reader, request, body)
    place = desk.as_proposed(place, state)
    measured = measure_live(place.shown, state, desk.terms.conventions, index)
    return _as_shown(desk, place, state, measured)


def _propose(desk: Desk, reader: str, request: Request, body: Json) -> Json:
    """Propose on the slice that the reader has in view, or say why nothing is proposed there."""
    place, state, index = _on_slice(desk, reader, request, body)
    try:
        proposal = desk.propose_on(place, index).knee.on_slices[index]
    except InputError as error:
        return {"declined": why_not_proposed(error, place.knee)}
    state = with_proposal(state, proposal.landmarks, place.knee.grids)
    return {"declined": "", "state": state.as_dict()}


def _on_slice(desk: Desk, reader: str, request: Request, body: Json) -> tuple[OpenTask, State, int]:
    """Take apart a request about one slice of a working state."""
    place = _place(desk, reader, request)
    state, index = desk.state(place, body["state"]), request.path_params["index"]
    if index >= len(place.knee.grids):
        raise UsageError("There is no such slice.")
    return place, state, index


def _snap(desk: Desk, reader: str, request: Request, body: Json) -> Json:
    place = _place(desk, reader, request)
    state = desk.state(place, body["state"])
    landmark = snap_landmark(
        place.shown, state, int(body["slice"]), str(body["name"]), desk.terms.conventions
    )
    return asdict(landmark)


def _change(desk: Desk, reader: str, request: Request, body: Json) -> Json:
    place = _place(desk, reader, request)
    state = desk.state(place, body["state"])
    draft = desk.drafts.change(place.draft, int(body["revision"]), json.dumps(state.as_dict()))
    return _working(draft, desk, place)


def _moved(desk: Desk, reader: str, request: Request, body: Json, *, by: int) -> Json:
    place = _place(desk, reader, request)
    draft = desk.drafts.move(place.draft, int(body["revision"]), by)
    return _working(draft, desk, place)


def _view(desk: Desk, reader: str, request: Request, body: Json) -> Json:
    text = json.dumps(body["view"], allow_nan=False)
    if len(text) > MAX_VIEW_LENGTH:
        raise UsageError("The view is too long to be saved.")
    desk.drafts.save_view(_place(desk, reader, request).draft, text)
    return {}


def _sign(desk: Desk, reader: str, request: Request, body: Json) -> Json:
    place = _place(desk, reader, request)
    state, time_s = desk.state(place, body["state"]), float(body["reading_time_s"])
    seen = OnScreen(int(body["revision"]), state, body["extrusion_mm"], time_s)
    outcome = sign(desk, place, seen)
    if isinstance(outcome, str):
        return {"refused": outcome}
    return {"refused": "", **_working(desk.begin(place), desk, place)}


def _reject(desk: Desk, reader: str, request: Request, body: Json) -> Json:
    reason = str(body["reason"])
    if body["revision"] is None:  # the knee could not be opened
        reject_unopened(desk, desk.key(reader, request.path_params["task"]), reason)
        return {}
    place = _place(desk, reader, request)
    reject(desk, place, reason, int(body["revision"]), float(body["reading_time_s"]))
    return _working(desk.begin(place), desk, place)


def _withdraw(desk: Desk, reader: str, request: Request, body: Json) -> Json:
    withdraw(desk, desk.key(reader, request.path_params["task"]))
    place = _place(desk, reader, request)
    return _working(desk.begin(place), desk, place)
