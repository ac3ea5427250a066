"""Signing a browser in and out: a token's secret is posted once, and a cookie that no script can read stands for it."""

from typing import Annotated

from fastapi import APIRouter, Request, Response
from pydantic import BaseModel, ConfigDict, Field

from ..access import Admission, Refused, Role
from ..access.peer import peer_of
from ..access.tokens import LONGEST_SECRET
from .gate import cookie_name, cookie_of
from .problems import answers, problem


class SignInBody(BaseModel):
    """What a sign-in link carries in its fragment, or somebody types."""

    model_config = ConfigDict(extra="forbid")

    secret: Annotated[str, Field(min_length=1, max_length=LONGEST_SECRET, description="secret of an access token")]


class SignedInBody(BaseModel):
    """Whom the browser is signed in as."""

    name: str
    role: Role


class SignedOutBody(BaseModel):
    """Nobody."""

    name: None = None


def sign_in_routes(admission: Admission) -> APIRouter:
    """Routes that are open to everybody."""
    router = APIRouter(prefix="/api/v1")

    @router.post("/sign-in", summary="Sign a browser in", responses=answers(401, 422, 429), response_model=SignedInBody)
    async def sign_in(body: SignInBody, request: Request, response: Response) -> SignedInBody | Response:
        """Answers with a cookie. A code that is wrong, expired or revoked has one and the same answer."""
        client = request.client
        peer = peer_of(None if client is None else client.host, dict(request.headers), request.url.scheme)
        try:
            value, session, token = admission.sign_in(body.secret, peer)
        except Refused as refused:
            return _refusal(refused)
        response.set_cookie(
            cookie_name(request.scope),
            value,
            max_age=session.ends_at_s - session.made_at_s,
            secure=peer.is_encrypted,
            httponly=True,
            samesite="strict",
        )
        return SignedInBody(name=token.name, role=token.role)

    @router.post("/sign-out", summary="Sign a browser out", responses=answers())
    async def sign_out(request: Request, response: Response) -> SignedOutBody:
        """Ends this browser's session, and its live sockets."""
        cookie = cookie_of(request.scope)
        if cookie is not None:
            admission.sign_out(cookie)
        response.delete_cookie(cookie_name(request.scope), httponly=True, samesite="strict")
        return SignedOutBody()

    return router


def _refusal(refused: Refused) -> Response:
    if not refused.wait_s:
        return problem(401, "that code is not known here, or does not hold any more", do="ask for a new one")
    answer = problem(429, "too many wrong codes", do=f"wait {refused.wait_s} s")
    answer.headers["Retry-After"] = str(refused.wait_s)
    return answer
