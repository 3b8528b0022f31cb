"""Answers worked out before, kept in Redis for a while; without Redis there are none, and nothing else changes."""

from __future__ import annotations

import msgspec

from service.adapters.redis_link import RedisAway, RedisLink
from service.adapters.stored_form import STORED_FORM, answer_from_json, answer_to_json
from service.domain.identification import Identification


class RedisAnswerCache:
    """Satisfies `service.workflows.identifying.answering.AnswerCache`."""

    def __init__(self, link: RedisLink, seconds: int) -> None:
        self._link = link
        self._seconds = seconds

    def get(self, key: str) -> Identification | None:
        """The answer kept under `key`; None when there is none or Redis is away."""
        try:
            kept = self._link.call(lambda client: client.get(_name(key)), "answer.get")
        except RedisAway:
            return None
        if not isinstance(kept, bytes):
            return None  # nothing is kept, or it is no Redis that answers
        try:
            return answer_from_json(kept)
        except msgspec.MsgspecError:
            return None  # left by another release; worked out again, it is overwritten

    def put(self, key: str, identification: Identification) -> None:
        """Keep an answer; quietly does nothing while Redis is away."""
        body = answer_to_json(identification)
        try:
            self._link.call(lambda client: client.set(_name(key), body, ex=self._seconds), "answer.put")
        except RedisAway:
            return


class NoCache:
    """Keeps nothing, where no Redis is set. Satisfies `service.workflows.identifying.answering.AnswerCache`."""

    def get(self, key: str) -> Identification | None:  # noqa: ARG002  the port's
        """None: nothing is kept."""
        return None

    def put(self, key: str, identification: Identification) -> None:
        """Keep nothing."""


def _name(key: str) -> str:
    return f"lobedesk:answer:{STORED_FORM}:{key}"
