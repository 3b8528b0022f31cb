"""Examples for the document. Everything in them is invented, as is the catalogue they fit."""

from __future__ import annotations

from typing import Any

SUBMISSION_EXAMPLES: dict[str, dict[str, Any]] = {
    "a_phone_call": {
        "summary": "A caller with a caliper; the shaft and its part number are invented.",
        "value": {
            "source": "phone",
            "unit": "in",
            "instrument": "digital_caliper",
            "experience": "practised",
            "condition": "used",
            "engine_family": None,
            "readings": [
                {"feature": "zero_check", "reference": "0", "values": ["0.0005"]},
                {"feature": "journal_diameter", "position": "front", "values": ["0.7500", "0.7500"]},
                {"feature": "lobe_height", "lobe": "intake", "values": ["1.2085", "1.2090"]},
                {"feature": "base_circle", "lobe": "intake", "values": ["0.8620", "0.8615"]},
                {
                    "feature": "base_circle",
                    "lobe": "exhaust",
                    "values": ["0.8612"],
                    "instrument": "outside_micrometer",
                },
            ],
            "counts": {"gear_teeth": 28},
            "markings": [{"place": "between_lobes", "text": "R4"}],
            "tools": ["digital_caliper", "outside_micrometer"],
            "ask_person": False,
            "contact": {"name": "A. Caller", "email": "caller@shop.example"},
            "note": "Found in a box of parts.",
        },
    },
    "a_web_form": {
        "summary": "The least a web form sends.",
        "value": {
            "source": "web",
            "unit": "mm",
            "readings": [{"feature": "journal_diameter", "position": "rear", "values": [24.99]}],
        },
    },
}

ADDITION_EXAMPLES: dict[str, dict[str, Any]] = {
    "the_exhaust_lobe": {
        "summary": "The reading that was asked for next.",
        "value": {
            "readings": [
                {"feature": "lobe_height", "lobe": "exhaust", "values": ["1.2185", "1.2190"]},
                {"feature": "base_circle", "lobe": "exhaust", "values": ["0.8620", "0.8615"]},
            ]
        },
    },
    "whom_to_answer": {
        "summary": "Whom to answer, and what else was said later, in the place of what was said before.",
        "value": {"contact": {"name": "A. Caller", "email": "caller@example.org"}, "counts": {"gear_teeth": 28}},
    },
    "a_person": {"summary": "The caller would rather speak to somebody.", "value": {"ask_person": True}},
}
