"""Sites, places, policy, rules, deviations."""

from typing import Annotated

from fastapi import APIRouter, Header, Response

from service.figures import Row
from service.http.bodies import Cursor, Limit, Page, decode_cursor, encode_cursor
from service.http.sessions import Now, ReadSession, WriteSession
from service.security.guard import MayLook, MaySetUp, guarded_router
from service.site import actions, queries
from service.site.models import Place, PolicyVersion, Site
from service.site.queries import SiteView
from service.site.rules import RULES, PlaceKind, Rule, default_policy, handling_rules, place_limit_c
from service.site.schemas import (
    DeviationOut,
    NewSite,
    PlaceChange,
    PlaceIn,
    PlaceOut,
    PolicyChange,
    PolicyOut,
    RuleFigure,
    RuleOut,
    SiteIn,
    SiteOut,
)

sites: APIRouter = guarded_router("/sites", "site")
places: APIRouter = guarded_router("/places", "site")
rules: APIRouter = guarded_router("/rules", "site")
deviations: APIRouter = guarded_router("/deviations", "site")
routers = (sites, places, rules, deviations)

IfMatch = Annotated[str | None, Header(description="The ETag that the change is based on.")]


@sites.get("")
def list_sites(session: ReadSession, by: MayLook) -> Page[SiteOut]:
    """The sites that you may see."""
    return Page(items=[SiteOut.model_validate(s) for s in queries.sites(session, by=by)])


@sites.post("", status_code=201)
def add_site(new: NewSite, session: WriteSession, at: Now, by: MaySetUp) -> SiteOut:
    """A further site of the organisation."""
    return SiteOut.model_validate(actions.add_site(session, new, at=at, by=by))


@sites.get("/{site}")
def get_site(site: str, session: ReadSession, by: MayLook, response: Response) -> SiteOut:
    """One site, its zone and its units."""
    found = queries.site_by_code(session, site, by=by)
    response.headers["ETag"] = actions.etag(found)
    return SiteOut.model_validate(found)


@sites.put("/{site}")
def change_site(
    site: str,
    change: SiteIn,
    session: WriteSession,
    at: Now,
    by: MaySetUp,
    response: Response,
    if_match: IfMatch = None,
) -> SiteOut:
    """Change name, time zone or units; with If-Match only if nobody else did meanwhile."""
    changed = actions.change_site(session, site, change, if_match=if_match, at=at, by=by)
    response.headers["ETag"] = actions.etag(changed)
    return SiteOut.model_validate(changed)


@sites.get("/{site}/policy")
def get_policy(site: str, session: ReadSession, at: Now, by: MayLook) -> PolicyOut:
    """The figures in force at a site."""
    found = queries.site_by_code(session, site, by=by)
    assert found.id is not None
    return _policy_out(found, queries.policy_version(session, found.id, at=at))


@sites.put("/{site}/policy")
def change_policy(
    site: str, change: PolicyChange, session: WriteSession, at: Now, by: MaySetUp
) -> PolicyOut:
    """Set figures of a site from now on, with a reason."""
    version = actions.change_policy(session, site, change, at=at, by=by)
    return _policy_out(queries.site_by_code(session, site, by=by), version)


def _policy_out(site: Site, version: PolicyVersion | None) -> PolicyOut:
    return PolicyOut(
        site=site.code,
        version=version.version if version else 0,
        from_at=version.from_at if version else None,
        reason=version.reason if version else None,
        by=version.by if version else None,
        figures=queries.policy_from(version).model_dump(mode="json"),
    )


@places.get("")
def list_places(session: ReadSession, at: Now, by: MayLook) -> Page[PlaceOut]:
    """The places of your sites with their limits."""
    found = queries.places(session, by=by)
    codes = {place.id: place.code for place in found}
    by_id = {site.id: site for site in queries.sites(session, by=by)}
    views = {id_: queries.view_of(session, site, at=at) for id_, site in by_id.items()}
    return Page(
        items=[
            _place_out(p, by_id[p.site_id], views[p.site_id], codes.get(p.parent_id)) for p in found
        ]
    )


@places.post("", status_code=201)
def add_place(new: PlaceIn, session: WriteSession, at: Now, by: MaySetUp) -> PlaceOut:
    """A freezer, refrigerator, thaw room, thaw tank, kitchen or ice chest."""
    place = actions.add_place(session, new, at=at, by=by)
    site = session.get_one(Site, place.site_id)
    return _place_out(place, site, queries.view_of(session, site, at=at), new.parent)


@places.put("/{place}")
def change_place(
    place: str, change: PlaceChange, session: WriteSession, at: Now, by: MaySetUp
) -> PlaceOut:
    """Change a place's name, or how much fish it holds at once."""
    changed = actions.change_place(session, place, change, at=at, by=by)
    site = session.get_one(Site, changed.site_id)
    parents = queries.places_by_id(session, [changed.parent_id] if changed.parent_id else [])
    parent = parents[changed.parent_id].code if changed.parent_id else None
    return _place_out(changed, site, queries.view_of(session, site, at=at), parent)


def _place_out(place: Place, site: Site, view: SiteView, parent: str | None) -> PlaceOut:
    limit_c = place_limit_c(PlaceKind(place.kind), view.policy, view.units.temperature)
    limit = None if limit_c is None else view.units.temperature_out(limit_c)
    holds = place.capacity_g
    capacity = None if holds is None else view.units.mass_out(holds)
    return PlaceOut.of(place, site, parent=parent, limit=limit, capacity=capacity)


@rules.get("")
def list_rules(
    session: ReadSession, at: Now, by: MayLook, site: str | None = None
) -> Page[RuleOut]:
    """Every rule with its numbers in force, its source, and who may override it."""
    found = queries.site_or_only(session, site, by=by)
    view = queries.view_of(session, found, at=at)
    return Page(items=[_rule_out(rule, view) for rule in RULES])


def _rule_out(rule: Rule, view: SiteView) -> RuleOut:
    in_force, defaults = (
        view.policy.model_dump(mode="json"),
        default_policy().model_dump(mode="json"),
    )
    rows = handling_rules()
    return RuleOut(
        id=rule.id,
        says=rule.says,
        severity=rule.severity,
        source=rule.source,
        may_override=[str(role) for role in rule.may_override],
        policy_version=view.policy_version,
        figures=[_figure(key, in_force[key], defaults[key], rows.get(key)) for key in rule.figures],
    )


def _figure(
    key: str, value: float | bool | str, default: float | bool | str, row: Row | None
) -> RuleFigure:
    return RuleFigure(
        key=key,
        value=value,
        default=default,
        unit=row["unit"] if row else None,
        source=row["source"] if row else "our default",
        flag=row["flag"] if row else None,
    )


@deviations.get("")
def list_deviations(
    session: ReadSession, by: MayLook, limit: Limit = 100, cursor: Cursor = None
) -> Page[DeviationOut]:
    """What was done against a rule, newest first: overridden with a reason, or breached."""
    last = int(decode_cursor(cursor, int)[0]) if cursor is not None else None
    seen = queries.sites_seen(session, by=by)
    rows = queries.deviations(session, seen, limit=limit + 1, before_id=last)
    more = encode_cursor(rows[limit - 1].id or 0) if len(rows) > limit else None
    return Page(items=[DeviationOut.of(row) for row in rows[:limit]], next=more)
