"""The tests' own browser: no page can keep the others waiting for ever, nor leave anything to them."""

import asyncio
import subprocess
import sys
from pathlib import Path

import pytest
from browser import headless

pytestmark = pytest.mark.browser

SCRIPT = """
from browser import at_most, headless

with headless() as browser:
    page = browser.new_page()
    try:
        with at_most(2):
            page.evaluate("() => new Promise(() => {})")
    except Exception as error:
        print(type(error).__name__)
with headless() as browser:
    print(browser.new_page().evaluate("() => 6 * 7"))
"""


def test_a_page_that_never_answers_is_ended_and_the_next_one_opens():
    command = [sys.executable, "-c", SCRIPT]
    result = subprocess.run(command, cwd=Path(__file__).parent, capture_output=True, text=True, timeout=90)
    assert result.stdout.split() == ["TargetClosedError", "42"]
    assert "most recent call first" in result.stderr


def test_behind_a_page_no_event_loop_seems_to_run():
    with headless() as browser:
        browser.new_page().close()
        with headless() as again:
            assert again is browser
        browser.new_page().close()
    with pytest.raises(RuntimeError):
        asyncio.get_running_loop()
