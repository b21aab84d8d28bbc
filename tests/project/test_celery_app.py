"""The Celery app is that of every thread, in whatever order a program imports it."""

from __future__ import annotations

import os
import subprocess
import sys

from project.embedded import BASE_DIR

#: As a web server does that names its settings in ``project.wsgi`` alone: the package is imported first.
PROGRAM = """
import os, threading
import project
os.environ["DJANGO_SETTINGS_MODULE"] = "project.settings.test"
import django; django.setup()
from surveys.services.waking import current_app
threads = [threading.Thread(target=lambda: print(current_app.main, current_app.conf.broker_url)) for _ in range(2)]
for thread in threads:
    thread.start()
    thread.join()
"""


def test_a_thread_of_a_web_server_wakes_at_the_broker_of_the_settings() -> None:
    environment = {name: value for name, value in os.environ.items() if name != "DJANGO_SETTINGS_MODULE"}
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM], cwd=BASE_DIR, capture_output=True, text=True, check=True,
        env={**environment, "REDIS_URL": "redis://127.0.0.1:9/3", "PYTHONPATH": str(BASE_DIR)},
    )  # fmt: skip
    assert done.stdout.splitlines() == ["trapnight redis://127.0.0.1:9/3"] * 2
