"""Signing in and out, one's own password, and what a one-time link gives."""

import time

from fastapi import APIRouter, HTTPException, Request, Response

from underlid.access import accounts
from underlid.access.accounts import RefusedError
from underlid.access.passwords import is_right
from underlid.access.roles import Role
from underlid.access.secret import digest
from underlid.store import accounts as store
from underlid.web.context import Context, Ctx, Me
from underlid.web.gate import COOKIE, SECURE_COOKIE, address_of, note, session_secret
from underlid.web.shapes import (
    InvitationLook,
    InvitationShape,
    PasswordChange,
    Redemption,
    SessionShape,
    SignIn,
)

router = APIRouter(tags=["session"])

WRONG = "Name or password is wrong."


@router.get("/session")
def get_session(ctx: Ctx, me: Me) -> SessionShape:
    """Who is asking; `role` is null for nobody."""
    if not ctx.sign_in:
        return SessionShape(access="open", name=None, role=Role.OWNER, has_password=False, set_up=True)
    if me is not None:
        return SessionShape(
            access="accounts", name=me.name, role=me.role, has_password=me.session is not None, set_up=True
        )
    with ctx.ledger.reading() as connection:
        set_up = accounts.has_owner(connection)
    return SessionShape(access="accounts", name=None, role=None, has_password=False, set_up=set_up)


@router.post("/session", status_code=201)
def sign_in(ctx: Ctx, request: Request, response: Response, who: SignIn) -> SessionShape:
    """Begin a session, which a cookie stands for."""
    _needs_accounts(ctx)
    address = address_of(request.scope)
    _may_try(ctx, address, who.name)
    with ctx.ledger.reading() as connection:
        account = store.by_name(connection, who.name)
    if not is_right(who.password, account.hash if account else None) or account is None:
        note(ctx, account.name if account else "nobody", address, "sign-in refused")
        raise HTTPException(401, WRONG)
    ctx.throttle.succeeded(address, who.name)
    with ctx.ledger.writing() as connection:
        still = store.by_id(connection, account.id)
        if still is None or still.hash != account.hash:
            raise HTTPException(401, WRONG)
        secret = accounts.open_session(connection, account, ctx.clock())
    note(ctx, account.name, address, "signed in")
    return _begun(request, response, account.name, Role(account.role), secret)


@router.delete("/session", status_code=204)
def sign_out(ctx: Ctx, request: Request, response: Response) -> None:
    """End this session."""
    secret = session_secret(request.scope, request.headers)
    if secret is not None:
        with ctx.ledger.writing() as connection:
            store.end_session(connection, digest(secret))
    _forget(request, response)


@router.delete("/sessions", status_code=204)
def sign_out_everywhere(ctx: Ctx, me: Me, request: Request, response: Response) -> None:
    """End every session of one's own, this one too."""
    if me is not None and me.account_id is not None:
        with ctx.ledger.writing() as connection:
            store.end_sessions(connection, me.account_id)
    _forget(request, response)


@router.put("/session/password", status_code=204)
def change_password(ctx: Ctx, me: Me, request: Request, change: PasswordChange) -> None:
    """A new password of one's own; every other session ends."""
    if me is None or me.account_id is None or me.session is None:
        raise HTTPException(409, "Only who signed in with a password has one to change.")
    address = address_of(request.scope)
    _may_try(ctx, address, me.name)
    with ctx.ledger.reading() as connection:
        account = store.by_id(connection, me.account_id)
    if account is None or not is_right(change.old, account.hash):
        raise HTTPException(403, "The present password is not right.")
    ctx.throttle.succeeded(address, me.name)
    hashed = _hashed(change.new, me.name)
    with ctx.ledger.writing() as connection:
        store.change_account(connection, account.id, hash=hashed)
        store.end_sessions(connection, account.id, but=me.session)


@router.post("/invitations/look")
def look_at_invitation(ctx: Ctx, request: Request, look: InvitationLook) -> InvitationShape:
    """What a one-time link is for; it stays good."""
    _needs_accounts(ctx)
    address = address_of(request.scope)
    _may_try(ctx, address, "")
    with ctx.ledger.reading() as connection:
        try:
            found = accounts.invited(connection, look.secret, ctx.clock())
        except RefusedError as error:
            raise HTTPException(404, str(error)) from error
    ctx.throttle.succeeded(address, "")
    return InvitationShape(role=found.role, name=found.name)


@router.post("/invitations/redeem", status_code=201)
def redeem_invitation(ctx: Ctx, request: Request, response: Response, new: Redemption) -> SessionShape:
    """Make the account that a one-time link is for, or set its password, and sign in."""
    _needs_accounts(ctx)
    address = address_of(request.scope)
    _may_try(ctx, address, "")
    with ctx.ledger.reading() as connection:
        try:
            found = accounts.invited(connection, new.secret, ctx.clock())
        except RefusedError as error:
            raise HTTPException(404, str(error)) from error
    ctx.throttle.succeeded(address, "")
    name = " ".join((found.name or new.name).split())
    hashed = _hashed(new.password, name)
    with ctx.ledger.writing() as connection:
        try:
            account, secret = accounts.redeem(connection, new.secret, name, hashed, ctx.clock())
        except RefusedError as error:
            raise HTTPException(409, str(error)) from error
    note(ctx, account.name, address, f"one-time link used, as {account.role}")
    return _begun(request, response, account.name, Role(account.role), secret)


def _needs_accounts(ctx: Context) -> None:
    if not ctx.sign_in:
        raise HTTPException(409, "The service runs with access = open, in which nobody signs in.")


def _may_try(ctx: Context, address: str, name: str) -> None:
    now_s = time.monotonic()
    wait_s = ctx.throttle.wait_s(address, name, now_s)
    if wait_s > 0:
        words = f"Too many tries; the next is possible in {wait_s / 60:.0f} min."
        raise HTTPException(429, words, {"Retry-After": f"{wait_s:.0f}"})
    ctx.throttle.begin(address, name, now_s)


def _hashed(password: str, name: str) -> str:
    try:
        return accounts.new_hash(password, name)
    except RefusedError as error:
        raise HTTPException(422, str(error)) from error


def _begun(request: Request, response: Response, name: str, role: Role, secret: str) -> SessionShape:
    secure = request.url.scheme == "https"
    response.set_cookie(
        SECURE_COOKIE if secure else COOKIE,
        secret,
        max_age=accounts.SESSION_MS // 1000,
        secure=secure,
        httponly=True,
        samesite="strict",
    )
    return SessionShape(access="accounts", name=name, role=role, has_password=True, set_up=True)


def _forget(request: Request, response: Response) -> None:
    secure = request.url.scheme == "https"
    response.delete_cookie(
        SECURE_COOKIE if secure else COOKIE, secure=secure, httponly=True, samesite="strict"
    )
