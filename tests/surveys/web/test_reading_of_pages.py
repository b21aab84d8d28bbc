"""Every page that a family, a class or a teacher reads, at school grade 5 or below."""

from __future__ import annotations

import pytest
from django.test import Client

from tests.architecture.test_addresses import ADDRESSES
from tests.pages import World, walk
from tests.reading import grade_of, sentences_of

pytestmark = pytest.mark.django_db

#: Read by coordinators (grade 8 at most), by those who want to know it all, or not by people.
FOR_OTHERS = {
    "second-factor", "second-factor-new", "backup-codes", "people", "invite", "end-appointment",
    "reset-second-factor", "invitation", "queue", "queue-record", "second-looks", "second-look", "where-next",
    "overdue", "desk", "nights", "night", "cases", "news-edit", "safety-edit", "codebook", "methods", "problem", "threats", "assessment", "size",
    "season", "season-plans", "new-plan", "season-close", "plan", "plan-open", "plan-regions", "plan-protocol",
    "plan-sentences", "plan-preview", "plan-section", "service-worker", "web-manifest", "field-list", "trap-calendar",
    "sheet-template", "sheet-marked", "health-live", "health-ready", "metrics", "my-photo", "queue-photo", "queue-photo-edit",
    "queue-together", "queue-beside", "data", "releases", "latest-release", "release", "desk-releases", "make-release",
    "release-progress", "withdraw-release", "release-file", "latest-release-file", "ogc", "ogc-slash",
    "ogc-conformance", "ogc-api", "ogc-collections", "ogc-collection", "ogc-items", "ogc-item",
}  # fmt: skip
#: The full notices carry the words of law beside plain ones.
FULL_NOTICES = {"privacy", "my-account"}


def test_family_pages_read_at_grade_5_or_below() -> None:
    world = World()
    patterns = {name: pattern for name, pattern, _ in walk()}
    hard = {}
    read = 0
    for name, (rule, methods, whose) in ADDRESSES.items():
        if "GET" not in methods or name.startswith("api-") or name in FOR_OTHERS:
            continue
        role = "teacher" if whose == "school" or name == "my-classes" else "owner"
        client = Client()
        account = world.people[role]
        if account is not None and rule != "anyone":
            client.force_login(account)
        answer = client.get(world.path_of(name, patterns[name]), follow=True)
        assert answer.status_code == 200, name
        sentences = sentences_of(answer.content.decode())
        if not sentences:
            continue
        read += 1
        grade = grade_of(sentences).grade
        if grade > (6.0 if name in FULL_NOTICES else 5.0):
            hard[name] = round(grade, 1)
    assert read > 40
    assert hard == {}
