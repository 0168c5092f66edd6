"""The addresses of the page that asks the questions of a case, and serving it."""

from __future__ import annotations

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from meniscal_measure.records.notice import NOTICE
from meniscal_measure.review.endpoints import Answer, Json, endpoint
from meniscal_measure.review.page_files import page_routes, slice_answer
from meniscal_measure.review.question_desk import QuestionDesk


def question_application(desk: QuestionDesk) -> Starlette:
    """Build the application; `meniscal_measure.review.guard.Guard` goes before it."""
    answers: list[tuple[str, str, Answer[QuestionDesk]]] = [
        ("GET", "/api/questions", _questions),
        ("GET", "/api/planes/{plane}/{index:int}", _slice),
        ("POST", "/api/answer", _answer),
        ("POST", "/api/finish", _finish),
    ]
    routes = [
        Route(path, endpoint(answer, desk), methods=[method]) for method, path, answer in answers
    ]
    return Starlette(routes=[*page_routes("questions.html"), *routes])


def _questions(desk: QuestionDesk, reader: str, request: Request, body: Json) -> Json:
    return {"notice": NOTICE, "planes": desk.planes, **desk.listed()}


def _slice(desk: QuestionDesk, reader: str, request: Request, body: Json) -> Response:
    index = request.path_params["index"]
    return slice_answer(desk.views.find(request.path_params["plane"], index).pixels(index))


def _answer(desk: QuestionDesk, reader: str, request: Request, body: Json) -> Json:
    return desk.answer(str(body["key"]), body["answer"], reader)


def _finish(desk: QuestionDesk, reader: str, request: Request, body: Json) -> Json:
    desk.finish()
    return {}
