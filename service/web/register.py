"""Every blueprint and who may call it: the one list. A test walks the URL map and compares."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from flask import Flask

from service.domain.access import STAFF, Role
from service.web.access import Audience, Holder, Rates, guard
from service.web.api.bench.routes import bench_blueprint
from service.web.api.cases.routes import cases_blueprint
from service.web.api.catalogue.core_pages import catalogue_pages_blueprint
from service.web.api.catalogue.drafts import catalogue_drafts_blueprint
from service.web.api.catalogue.edit_routes import catalogue_editing_blueprint
from service.web.api.catalogue.faults import catalogue_faults_blueprint
from service.web.api.catalogue.kept_drafts import kept_drafts_blueprint
from service.web.api.catalogue.reidentification import reidentification_blueprint
from service.web.api.catalogue.routes import catalogue_blueprint, catalogue_import_blueprint
from service.web.api.guide.routes import guide_blueprint
from service.web.api.keys.routes import keys_blueprint
from service.web.api.letters.routes import letters_blueprint
from service.web.api.lift_tables.routes import lift_tables_blueprint
from service.web.api.mail_ins.photos import photos_blueprint
from service.web.api.mail_ins.routes import mail_ins_blueprint, shafts_blueprint
from service.web.api.outbox.routes import outbox_blueprint
from service.web.api.previews.routes import previews_blueprint
from service.web.api.privacy.routes import notice_blueprint, privacy_blueprint
from service.web.api.reports.routes import reports_blueprint
from service.web.api.returns.own_case import own_case_blueprint
from service.web.api.returns.routes import returns_blueprint
from service.web.api.reviews.routes import reviews_blueprint
from service.web.api.running.routes import running_blueprint
from service.web.api.submissions.photos import case_photos_blueprint, case_pictures_blueprint
from service.web.api.submissions.routes import submissions_blueprint
from service.web.api.valve_timing.routes import valve_timing_blueprint
from service.web.api.webhooks.routes import webhooks_blueprint
from service.web.blueprint import Blueprint
from service.web.document import make_api
from service.web.pages.routes import pages_blueprint
from service.web.problems import register_problems
from service.workflows.desk import Desk
from service.workflows.ports.photos import PhotoMaker
from service.workflows.readiness import Readiness

ANYBODY: Audience = None
EVERY_KEY: Audience = frozenset(Role)
STAFF_KEYS: Audience = STAFF
ADMIN_KEYS: Audience = frozenset({Role.ADMIN})


@dataclass(frozen=True)
class Faces:
    """What the blueprints are made from."""

    desk: Desk
    rates: Rates
    ready: Callable[[], Readiness]
    metrics: Callable[[], bytes]
    catalogue_body_limit: int
    privacy_notices: Mapping[str, str]
    photos: PhotoMaker
    photo_body_limit: int


def blueprints(faces: Faces) -> tuple[tuple[Blueprint, Audience], ...]:
    """Each blueprint with its audience."""
    return (
        (running_blueprint(faces.ready, faces.metrics), ANYBODY),
        (guide_blueprint(), ANYBODY),
        (submissions_blueprint(faces.desk), EVERY_KEY),
        (case_photos_blueprint(faces.desk, faces.photos, faces.photo_body_limit), EVERY_KEY),
        (case_pictures_blueprint(faces.desk), STAFF_KEYS),
        (previews_blueprint(faces.desk), EVERY_KEY),
        (returns_blueprint(faces.desk), EVERY_KEY),
        (
            own_case_blueprint(faces.desk, faces.privacy_notices, faces.photos, faces.photo_body_limit),
            Holder.LINK,
        ),
        (reviews_blueprint(faces.desk), STAFF_KEYS),
        (cases_blueprint(faces.desk), STAFF_KEYS),
        (reports_blueprint(faces.desk), STAFF_KEYS),
        (notice_blueprint(faces.desk, faces.privacy_notices), EVERY_KEY),
        (privacy_blueprint(faces.desk), ADMIN_KEYS),
        (mail_ins_blueprint(faces.desk), EVERY_KEY),
        (shafts_blueprint(faces.desk), STAFF_KEYS),
        (photos_blueprint(faces.desk, faces.photos, faces.photo_body_limit), STAFF_KEYS),
        (letters_blueprint(faces.desk), STAFF_KEYS),
        (outbox_blueprint(faces.desk), STAFF_KEYS),
        (webhooks_blueprint(faces.desk), ADMIN_KEYS),
        (keys_blueprint(faces.desk), ADMIN_KEYS),
        (lift_tables_blueprint(faces.desk), STAFF_KEYS),
        (bench_blueprint(faces.desk), STAFF_KEYS),
        (valve_timing_blueprint(faces.desk), STAFF_KEYS),
        (catalogue_blueprint(faces.desk), STAFF_KEYS),
        (catalogue_pages_blueprint(faces.desk), STAFF_KEYS),
        (catalogue_faults_blueprint(faces.desk), STAFF_KEYS),
        (catalogue_drafts_blueprint(faces.desk, faces.catalogue_body_limit), ADMIN_KEYS),
        (kept_drafts_blueprint(faces.desk, faces.catalogue_body_limit), ADMIN_KEYS),
        (reidentification_blueprint(faces.desk), STAFF_KEYS),
        (catalogue_editing_blueprint(faces.desk), ADMIN_KEYS),
        (catalogue_import_blueprint(faces.desk, faces.catalogue_body_limit), ADMIN_KEYS),
    )


def register(app: Flask, faces: Faces, version: str) -> None:
    """Put every face on `app`."""
    register_problems(app)
    api = make_api(app, version)
    listed = blueprints(faces)
    pages = pages_blueprint()
    audiences = {blueprint.name: audience for blueprint, audience in listed} | {pages.name: ANYBODY}
    guard(app, faces.desk.stores, faces.rates, audiences)
    app.register_blueprint(pages)
    for blueprint, _ in listed:
        api.register_blueprint(blueprint)
