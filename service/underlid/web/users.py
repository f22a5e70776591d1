"""People and programs that may sign in, and what was changed by whom: the owner's."""

from fastapi import APIRouter, HTTPException

from underlid.access import accounts
from underlid.access.accounts import INVITATION_MS, RefusedError
from underlid.access.roles import Role
from underlid.store import accounts as store
from underlid.store import audit
from underlid.store.accounts import Account, Token
from underlid.web.context import Ctx
from underlid.web.edge import Id
from underlid.web.farm import Limit
from underlid.web.problems import not_found
from underlid.web.shapes import (
    AuditShape,
    InvitationMade,
    InvitationNew,
    Page,
    TokenMade,
    TokenNew,
    TokenShape,
    UserChange,
    UserShape,
)

router = APIRouter(tags=["users"])


@router.get("/users")
def list_users(ctx: Ctx) -> Page[UserShape]:
    """Oldest first."""
    with ctx.ledger.reading() as connection:
        return Page(items=[_user(account) for account in store.accounts(connection)])


@router.patch("/users/{user_id}")
def change_user(ctx: Ctx, user_id: Id, change: UserChange) -> UserShape:
    """Another role; it holds from the next request on."""
    with ctx.ledger.writing() as connection:
        if store.by_id(connection, user_id) is None:
            raise not_found("user", user_id)
        try:
            return _user(accounts.change_role(connection, user_id, change.role))
        except RefusedError as error:
            raise HTTPException(409, str(error)) from error


@router.delete("/users/{user_id}", status_code=204)
def remove_user(ctx: Ctx, user_id: Id) -> None:
    """Take the account away and end its sessions; what they wrote stays."""
    with ctx.ledger.writing() as connection:
        if store.by_id(connection, user_id) is None:
            raise not_found("user", user_id)
        try:
            accounts.remove(connection, user_id)
        except RefusedError as error:
            raise HTTPException(409, str(error)) from error


@router.delete("/users/{user_id}/sessions", status_code=204)
def sign_user_out(ctx: Ctx, user_id: Id) -> None:
    """End all of somebody's sessions."""
    with ctx.ledger.writing() as connection:
        if store.by_id(connection, user_id) is None:
            raise not_found("user", user_id)
        store.end_sessions(connection, user_id)


@router.post("/invitations", status_code=201)
def invite(ctx: Ctx, new: InvitationNew) -> InvitationMade:
    """A one-time link for a new account, or for a new password of an account that exists; told this once."""
    now_ms = ctx.clock()
    with ctx.ledger.writing() as connection:
        account = None if new.user is None else store.by_id(connection, new.user)
        if new.user is not None and account is None:
            raise not_found("user", new.user)
        secret = accounts.invite(connection, new.role, now_ms, account.name if account else None)
    return InvitationMade(path=f"/welcome#{secret}", until=now_ms + INVITATION_MS)


@router.get("/tokens")
def list_tokens(ctx: Ctx) -> Page[TokenShape]:
    """Oldest first, without their secrets, which nobody keeps."""
    with ctx.ledger.reading() as connection:
        return Page(items=[_token(token) for token in store.tokens(connection)])


@router.post("/tokens", status_code=201)
def make_token(ctx: Ctx, new: TokenNew) -> TokenMade:
    """A token for a program; its secret is told this once."""
    with ctx.ledger.writing() as connection:
        try:
            token, secret = accounts.make_token(connection, new.name, new.role, new.days, ctx.clock())
        except RefusedError as error:
            raise HTTPException(409, str(error)) from error
    return TokenMade(**_token(token).model_dump(), secret=secret)


@router.delete("/tokens/{token_id}", status_code=204)
def remove_token(ctx: Ctx, token_id: Id) -> None:
    """It is good no longer."""
    with ctx.ledger.writing() as connection:
        if token_id not in {token.id for token in store.tokens(connection)}:
            raise not_found("token", token_id)
        store.remove_token(connection, token_id)


@router.get("/audit")
def list_audit(ctx: Ctx, limit: Limit = 100, after: Id | None = None) -> Page[AuditShape]:
    """Changes and sign-ins, newest first; kept for a year."""
    with ctx.ledger.reading() as connection:
        found = audit.entries(connection, limit + 1, after)
    items = [
        AuditShape(id=e.id, at=e.at_ms, who=e.who, address=e.address, what=e.what, detail=e.detail)
        for e in found[:limit]
    ]
    return Page(items=items, next=str(items[-1].id) if len(found) > limit else None)


def _user(account: Account) -> UserShape:
    return UserShape(
        id=account.id,
        name=account.name,
        role=Role(account.role),
        made=account.made_ms,
        signed_in=account.signed_in_ms,
    )


def _token(token: Token) -> TokenShape:
    return TokenShape(
        id=token.id, name=token.name, role=Role(token.role), made=token.made_ms, until=token.until_ms
    )
