"""The register in a real browser: it is read from disk, without network and server."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.select import Select

from rotorproof.decision.models import ProblemEntry, Results
from rotorproof.rendering.register import models_html, register_html, render_register
from rotorproof.rendering.register_view import Beside, Row, columns, rows
from rotorproof.season.population import populations
from tests.benchmarks import register_scale
from tests.entries import criterion, quantity_entry, results
from tests.season.test_population import units_of_model

WILD = '"><img src=x onerror=alert(1)><script>document.title="owned"</script>'


def _unit(name: str, verdict: str, resistance: float | None, **facts: Any) -> tuple[dict[str, Any], Results]:
    measured = {} if resistance is None else {"phase_resistance": quantity_entry(value=resistance)}
    decision = {"accepted": "pass", "rejected": "fail"}.get(verdict, verdict)
    found = results(
        unit=name,
        verdict=verdict,
        quantities=measured,
        criteria=[criterion(decision=decision)],
        problems=[{"message": "m", "severity": "warning"}] if verdict == "rejected" else [],
    )
    return {"unit": name, "kind": "motor", "tested_on": "2026-05-02", **facts}, found


UNITS = [
    _unit("U-10", "accepted", 0.12, serial="SN 77", model="HM-36", operator="A. Tester", description=WILD),
    _unit("U-9", "rejected", 0.14, serial="SN 12", model="HM-48", tested_on="2026-04-30"),
    _unit("U-2", "undecided", None, kind="controller", serial="FC-1"),
]
UNITS[2][1].problems.append(ProblemEntry(message="not a table", file="U-2/a.csv", line=3, severity="error"))
REFUSED = {"bad": [{"message": f"must be one of {WILD}", "file": "bad/unit.yaml", "line": 2, "severity": "error"}]}
SIGNED = {
    "U-9": [
        {
            "revision": number,
            "report": f"archive/U-9/r{number}/data/report.pdf",
            "verdict": "rejected",
            "waived": waived,
            "name": WILD,
            "signed_at": "2026-05-03",
            "current": current,
        }
        for number, waived, current in ((1, [], False), (2, ["phase_resistance"], True))
    ]
}


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    reports = tmp_path_factory.mktemp("reports")
    units = [unit for unit, _ in UNITS]
    render_register(
        units=units,
        results={unit["unit"]: found for unit, found in UNITS},
        fits={},
        refused=REFUSED,
        signed=SIGNED,
        folder=reports,
        beside=Beside(comparisons={"two": ["U-9", "U-10"]}, sheets=frozenset({"U-9"})),
    )
    return reports / "index.html"


@pytest.fixture(scope="module")
def browser() -> Iterator[webdriver.Chrome]:
    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or shutil.which("google-chrome") or ""
    for argument in ("--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"):
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options, webdriver.ChromeService(shutil.which("chromedriver")))
    yield driver
    driver.quit()


@pytest.fixture
def opened(browser: webdriver.Chrome, page: Path) -> webdriver.Chrome:
    browser.set_window_size(1500, 900)
    browser.get(page.as_uri())
    return browser


def _order(browser: webdriver.Chrome) -> list[str]:
    names = browser.find_elements(By.CSS_SELECTOR, "tbody tr:not([hidden]) .name")
    return [name.text for name in names]


def _head(browser: webdriver.Chrome, title: str) -> Any:
    for head in browser.find_elements(By.CSS_SELECTOR, "thead th"):
        if head.text.replace("\n", " ").startswith(title):
            return head
    raise AssertionError(f"no column {title!r}")


def test_units_are_sorted_as_people_count(opened: webdriver.Chrome) -> None:
    button = _head(opened, "Unit").find_element(By.TAG_NAME, "button")
    button.click()
    assert _order(opened) == ["U-10", "U-9", "U-2", "bad"]
    assert _head(opened, "Unit").get_attribute("aria-sort") == "descending"
    button.click()
    assert _order(opened) == ["bad", "U-2", "U-9", "U-10"]
    assert _head(opened, "Unit").get_attribute("aria-sort") == "ascending"


def test_the_page_opens_in_the_order_in_which_it_sorts(opened: webdriver.Chrome) -> None:
    assert _order(opened) == ["bad", "U-2", "U-9", "U-10"]
    names = ["U", "U1", "U-10", "1", "10a", "2", "u-9", "A.1", "B"]
    assert len(rows([], {}, {name: [] for name in names}, {})) == len(names)


def test_a_constant_sorts_as_a_number_and_what_is_missing_stays_last(opened: webdriver.Chrome) -> None:
    head = _head(opened, "Phase resistance")
    head.find_element(By.TAG_NAME, "button").click()
    assert _order(opened)[:2] == ["U-10", "U-9"]
    head.find_element(By.TAG_NAME, "button").click()
    assert _order(opened)[:2] == ["U-9", "U-10"]
    assert set(_order(opened)[2:]) == {"U-2", "bad"}
    assert [h.get_attribute("aria-sort") for h in opened.find_elements(By.CSS_SELECTOR, "th[aria-sort]")] == [
        "descending"
    ]


def test_verdicts_sort_by_what_needs_attention(opened: webdriver.Chrome) -> None:
    _head(opened, "Verdict").find_element(By.TAG_NAME, "button").click()
    assert _order(opened) == ["U-9", "U-2", "bad", "U-10"]


def test_search_looks_at_serial_and_model_and_says_how_many(opened: webdriver.Chrome) -> None:
    search = opened.find_element(By.ID, "search")
    search.send_keys("sn hm-48")
    assert _order(opened) == ["U-9"]
    assert opened.find_element(By.ID, "status").text == "1 of 4 units shown"
    search.clear()
    search.send_keys("nothing like it")
    assert _order(opened) == []
    assert opened.find_element(By.ID, "none").is_displayed()
    opened.find_element(By.CSS_SELECTOR, "#controls button[type=reset]").click()
    assert len(_order(opened)) == 4
    assert opened.find_element(By.ID, "status").text == "4 of 4 units shown"


def test_filters_for_verdict_and_kind(opened: webdriver.Chrome) -> None:
    Select(opened.find_element(By.ID, "verdict")).select_by_visible_text("rejected")
    assert _order(opened) == ["U-9"]
    Select(opened.find_element(By.ID, "verdict")).select_by_visible_text("all")
    Select(opened.find_element(By.ID, "kind")).select_by_visible_text("controller")
    assert _order(opened) == ["U-2"]


def test_the_keyboard_alone_reaches_and_sorts(opened: webdriver.Chrome) -> None:
    active = opened.switch_to.active_element
    for _ in range(12):
        active.send_keys(Keys.TAB)
        active = opened.switch_to.active_element
        if active.tag_name == "button" and active.text.startswith("Verdict"):
            break
    assert active.text.startswith("Verdict")
    active.send_keys(Keys.ENTER)
    assert _head(opened, "Verdict").get_attribute("aria-sort") == "ascending"
    assert opened.switch_to.active_element == active, "sorting must not take the focus away"
    outline = active.value_of_css_property("outline-style")
    assert outline != "none"


def test_nothing_a_unit_file_holds_can_run(opened: webdriver.Chrome) -> None:
    assert opened.title == "Register of tested units"
    assert not opened.find_elements(By.CSS_SELECTOR, "img")
    assert WILD in opened.find_element(By.CSS_SELECTOR, "tbody").text
    complaints = [entry["message"] for entry in opened.get_log("browser")]  # type: ignore[no-untyped-call]
    assert not complaints, complaints


def test_refused_units_stand_there_with_their_problems(opened: webdriver.Chrome) -> None:
    row = opened.find_element(By.CSS_SELECTOR, "tr[data-verdict='not reported']")
    assert "not reported" in row.text
    row.find_element(By.LINK_TEXT, "why").click()
    assert "bad/unit.yaml, line 2" in opened.find_element(By.CSS_SELECTOR, ".problems").text


def test_logs_that_were_refused_stand_there_with_the_reason(opened: webdriver.Chrome) -> None:
    section = opened.find_element(By.XPATH, "//section[h2/@id='failed']")
    assert "U-2" in section.text
    assert "not a table" in section.text
    assert "U-9" not in section.text, "a warning lost nothing"


def test_links_lead_to_the_reports(opened: webdriver.Chrome, page: Path) -> None:
    link = opened.find_element(By.CSS_SELECTOR, "a[href$='U-9/report.pdf']")
    assert link.get_attribute("href") == (page.parent / "U-9" / "report.pdf").as_uri()
    assert link.get_attribute("aria-label") == "report of U-9"


def test_a_phone_shows_cards_without_sideways_scrolling(opened: webdriver.Chrome) -> None:
    metrics = {"width": 390, "height": 800, "deviceScaleFactor": 1, "mobile": True}
    opened.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)  # type: ignore[no-untyped-call]
    try:
        width = opened.execute_script("return document.documentElement.scrollWidth")  # type: ignore[no-untyped-call]
        assert width <= 390
        label = opened.find_element(By.CSS_SELECTOR, "tbody td .label")
        assert label.is_displayed()
        Select(opened.find_element(By.ID, "order")).select_by_visible_text("Verdict")
        assert _order(opened)[0] == "U-9"
        Select(opened.find_element(By.ID, "direction")).select_by_visible_text("falling")
        assert _order(opened)[-1] == "U-9"
        # The roles keep the table a table although its parts are no longer laid out as one.
        assert opened.find_element(By.CSS_SELECTOR, "tbody tr").get_attribute("role") == "row"
    finally:
        opened.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})  # type: ignore[no-untyped-call]


@pytest.mark.parametrize("width", [1200, 1000, 800])
def test_nothing_is_cut_off_in_a_window_of_ordinary_width(opened: webdriver.Chrome, width: int) -> None:
    metrics = {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    opened.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)  # type: ignore[no-untyped-call]
    try:
        cut = opened.execute_script(  # type: ignore[no-untyped-call]
            "return [document.documentElement, document.querySelector('.scroll')]"
            ".filter(e => e.scrollWidth > e.clientWidth).length"
        )
        assert cut == 0
    finally:
        opened.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})  # type: ignore[no-untyped-call]


class _Structure(HTMLParser):
    """Collects what a reader without eyes relies on."""

    def __init__(self) -> None:
        super().__init__()
        self.labelled, self.controls, self.links = 0, 0, 0
        self.depth = 0
        self.scopes: list[str] = []
        self.scripts: list[str | None] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        self.depth += tag == "label"
        if tag in ("input", "select"):
            self.controls += 1
            self.labelled += self.depth > 0
        if tag == "script":
            self.scripts.append(found.get("type"))
        if tag == "th":
            self.scopes.append(found.get("scope") or "")
        assert not (found.get("src") or "").startswith(("http", "//"))
        assert not any(name.startswith("on") or name == "style" for name in found)

    def handle_endtag(self, tag: str) -> None:
        self.depth -= tag == "label"


def test_every_control_has_a_label_and_every_head_a_scope(page: Path) -> None:
    content = page.read_text(encoding="utf-8")
    structure = _Structure()
    structure.feed(content)
    assert structure.controls == structure.labelled == 5
    assert all(structure.scopes)
    assert structure.scripts == ["application/json", None]
    assert "http" not in content.replace("http-equiv", "").replace("http://www.w3.org/2000/svg", "")


def test_the_same_results_give_the_same_bytes_and_no_units_a_page() -> None:
    units = [unit for unit, _ in UNITS]
    found = {unit["unit"]: result for unit, result in UNITS}
    assert register_html(rows(units, found, REFUSED, SIGNED)) == register_html(
        rows(units[::-1], found, REFUSED, SIGNED)
    )
    assert "No units yet" in register_html([])


def test_signed_revisions_are_shown_with_the_newest_first(opened: webdriver.Chrome, page: Path) -> None:
    row = opened.find_element(By.XPATH, "//tr[th//span[@class='name' and text()='U-9']]")
    links = [link.get_attribute("href") for link in row.find_elements(By.CSS_SELECTOR, "a[href*='archive/']")]
    names = ("r2/data/report.pdf", "r2/", "r1/data/report.pdf")
    assert links == [(page.parent / "archive/U-9").as_uri() + f"/{name}" for name in names]
    assert "1 waived" in row.text
    assert sum("not signed" in line.text for line in opened.find_elements(By.CSS_SELECTOR, "tbody tr")) == 3


def test_a_search_finds_the_words_of_a_verdicts_reasons(opened: webdriver.Chrome) -> None:
    search = opened.find_element(By.ID, "search")
    search.send_keys("outside the limits")
    assert _order(opened) == ["U-9"]


def test_a_column_without_anything_to_show_is_left_out(opened: webdriver.Chrome) -> None:
    def heads() -> list[str | None]:
        shown = opened.find_elements(By.CSS_SELECTOR, "thead th:not([hidden])")
        return [head.get_attribute("data-key") for head in shown]

    assert "phase_resistance" in heads()
    Select(opened.find_element(By.ID, "kind")).select_by_visible_text("controller")
    assert "phase_resistance" not in heads()
    assert "signed" not in heads()
    assert len(opened.find_elements(By.CSS_SELECTOR, "tbody tr:first-child > *")) == len(heads())


def test_comparisons_and_sheets_are_linked(opened: webdriver.Chrome, page: Path) -> None:
    row = opened.find_element(By.XPATH, "//tr[th//span[@class='name' and text()='U-9']]")
    for text, target in (("bench sheets", "plans/U-9/"), ("comparison two", "comparisons/two/comparison.pdf")):
        assert row.find_element(By.LINK_TEXT, text).get_attribute("href") == f"{page.parent.as_uri()}/{target}"
    assert opened.find_element(By.CSS_SELECTOR, "section ul a").text == "two"


def test_nothing_out_of_sight_takes_the_focus(opened: webdriver.Chrome) -> None:
    metrics = {"width": 768, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    opened.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)  # type: ignore[no-untyped-call]
    try:
        active = opened.switch_to.active_element
        for _ in range(14):
            active.send_keys(Keys.TAB)
            active = opened.switch_to.active_element
            clipped = opened.execute_script(  # type: ignore[no-untyped-call]
                "const e = document.activeElement; return e !== document.body && (e.closest('thead') !== null || "
                "e.getBoundingClientRect().width < 2)"
            )
            assert not clipped, active.get_attribute("outerHTML")
    finally:
        opened.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})  # type: ignore[no-untyped-call]


def test_the_rows_of_many_units_are_reached_from_below_too(browser: webdriver.Chrome, tmp_path: Path) -> None:
    page = register_scale.write(tmp_path, 200)
    browser.set_window_size(800, 900)
    browser.get(page.as_uri())
    browser.execute_script("document.querySelector('footer a').focus()")  # type: ignore[no-untyped-call]
    active = browser.switch_to.active_element
    active.send_keys(Keys.SHIFT, Keys.TAB)
    row = browser.switch_to.active_element.find_element(By.XPATH, "ancestor::tr")
    assert row.get_attribute("aria-rowindex") == "201"


def test_a_link_leads_past_the_table(opened: webdriver.Chrome) -> None:
    active = opened.switch_to.active_element
    for _ in range(2):
        active.send_keys(Keys.TAB)
        active = opened.switch_to.active_element
    assert active.text == "Skip to what follows the table"
    active.send_keys(Keys.ENTER)
    opened.switch_to.active_element.send_keys(Keys.TAB)
    assert opened.switch_to.active_element.text == "two", "the comparisons come after the table"


def test_cells_of_a_card_have_their_labels_and_a_still_table_its_heads(
    opened: webdriver.Chrome, page: Path, tmp_path: Path
) -> None:
    metrics = {"width": 600, "height": 900, "deviceScaleFactor": 1, "mobile": False}
    opened.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)  # type: ignore[no-untyped-call]
    try:
        opened.get(page.as_uri())
        assert opened.find_element(By.CSS_SELECTOR, "tbody td .label").get_attribute("aria-hidden") is None
        assert not opened.find_element(By.CSS_SELECTOR, "#units thead").is_displayed()
        assert opened.find_element(By.CSS_SELECTOR, ".scroll").get_attribute("tabindex") is None
        models = tmp_path / "models.html"
        models.write_text(models_html(populations(*units_of_model(3, 20, lambda place: 0.0))), encoding="utf-8")
        opened.get(models.as_uri())
        head = opened.find_element(By.CSS_SELECTOR, ".still thead th")
        assert head.is_displayed()
        assert head.value_of_css_property("display") == "table-cell"
    finally:
        opened.execute_cdp_cmd("Emulation.clearDeviceMetricsOverride", {})  # type: ignore[no-untyped-call]


def test_of_many_units_only_those_near_the_window_are_made(browser: webdriver.Chrome, tmp_path: Path) -> None:
    page = register_scale.write(tmp_path, 1000)
    browser.set_window_size(1500, 900)
    browser.get(page.as_uri())
    rows_made = "return [...document.querySelectorAll('tbody:not(.away) tr')].map(r => Number(r.ariaRowIndex) - 1)"

    def made() -> list[int]:
        script = f"const done = arguments[0]; setTimeout(() => {{ done((() => {{ {rows_made} }})()) }}, 400)"
        return list(browser.execute_async_script(script))  # type: ignore[no-untyped-call]

    first = made()
    assert 1 in first
    assert len(first) < 300
    browser.execute_script("scrollTo(0, document.body.scrollHeight / 2)")  # type: ignore[no-untyped-call]
    middle = made()
    assert 1 not in middle
    assert len(middle) < 300
    search = browser.find_element(By.ID, "search")
    search.send_keys("hm-00999")
    assert _order(browser) == ["HM-00999"]


def test_a_drive_shows_the_models_of_its_parts() -> None:
    parts = [
        {"role": role, "unit": unit, "verdict": "accepted", "taken": {}}
        for role, unit in (("motor", "M-1"), ("controller", "C-1"))
    ]
    drive = Row("D-1", {"kind": "drive"}, results(unit="D-1", kind="drive", parts=parts), [])
    motor = Row("M-1", {"kind": "motor", "model": "HM", "serial": "7"}, results(unit="M-1"), [])
    (column,) = [one for one in columns([drive, motor]) if one.key == "model"]
    assert column.cell(drive).pieces == ["M-1 HM", ["about", "C-1"]]
    assert column.cell(motor).pieces == ["HM", ["about", "7"]]
