"""What is tested of the page. Each test has the page as an artist would: pointer and keys go
through the browser, and what came of it is read from the stack's file or from the pixels."""

import base64
import json
import pathlib
import re
import subprocess
import time

import whole_shot
from studio import browser, request, until

TESTS = []


def test(function):
    TESTS.append(function)
    return function


class World:
    def __init__(self, studio, screens):
        self.studio = studio
        self.screens = screens
        if screens:
            screens.mkdir(parents=True, exist_ok=True)
        studio.selvage("submit", studio.stack, "--watch")
        self.good_text = studio.stack.read_text()
        self.address = studio.loom(studio.stack)
        self.driver = browser(studio.folder)

    def close(self):
        self.driver.quit()

    def before(self):
        """Every test begins with the stack as it was drawn and the page as it opens."""
        if self.studio.daemon is None:
            self.studio.start_daemon()
        if not self.studio.stack.exists() or self.studio.stack.read_text() != self.good_text:
            self.studio.stack.write_text(self.good_text)
        self.driver.set_window_size(1600, 900)
        self.driver.get(self.address)
        self.driver.execute_script("localStorage.clear()")
        self.driver.get(self.address)
        until("the passes are listed", lambda: self.all(".pass-row"))
        until("a picture is there", self.picture_there)
        self.driver.get_log("browser")

    def after(self):
        """Nothing may have gone wrong out of sight."""
        self.noted = self.driver.get_log("browser")
        wrong = [entry["message"] for entry in self.noted if entry["level"] == "SEVERE"
                 # What the loom refuses is told in words on the page; the browser notes it, too.
                 and not re.search(r"the server responded with a status of (409|422|423|503)|ERR_CONNECTION_REFUSED|ERR_INCOMPLETE_CHUNKED|ERR_EMPTY_RESPONSE", entry["message"])]
        noted = [entry["message"] for entry in self.noted if entry["level"] == "WARNING"]
        assert not wrong, f"the browser's console: {wrong} {noted}"

    def show_failure(self, name):
        try:
            path = pathlib.Path("/tmp") / f"loom-failed-{name}.png"
            self.driver.save_screenshot(str(path))
            print(f"           {path}; said: {self.text('#said')!r}, alert: {self.text('#alert')!r}, stage: {self.text('#stage-words')!r}")
        except Exception as error:
            print(f"           no picture of it: {error}")

    def screen(self, name):
        if self.screens:
            self.driver.save_screenshot(str(self.screens / f"{name}.png"))

    # -- the page --

    def all(self, selector):
        return self.driver.find_elements("css selector", selector)

    def one(self, selector):
        return self.driver.find_element("css selector", selector)

    def text(self, selector):
        return self.driver.execute_script("return document.querySelector(arguments[0])?.textContent ?? ''", selector)

    def js(self, script, *arguments):
        return self.driver.execute_script(script, *arguments)

    def picture_there(self):
        return self.js("return document.getElementById('picture').dataset.shown")

    def view(self, name):
        self.one(f"#tab-{name}").click()
        until(f"the view {name} is open", lambda: self.one(f"#view-{name}").is_displayed())

    def keys(self, keys, focus="#stage"):
        if focus:
            self.js("document.querySelector(arguments[0]).focus()", focus)
        self.actions().send_keys(keys).perform()

    def actions(self):
        from selenium.webdriver.common.action_chains import ActionChains
        return ActionChains(self.driver, duration=0)

    def choose(self, name):
        """A pass by its row; waits for its picture."""
        row = self.one(f'.pass-row[data-name="{name}"]')
        self.js("arguments[0].scrollIntoView({block: 'center'})", row)
        row.click()
        self.shows(name)

    def choose_in_passes(self, name):
        """The same from any view; the panel with its numbers is open then."""
        self.view("passes")
        self.choose(name)

    def shows(self, name, frame=None, how=None):
        def check():
            shown = self.picture_there().split(" ")
            return shown[0] == name and (frame is None or shown[1] == str(frame)) and (how is None or shown[2] == how)
        until(f"{name} at {frame} as {how} is shown", check)

    def field(self, path):
        """The control of a field of the stack, as in pass[2].step[1].levels.black."""
        return self.one(f'[data-path="{path}"] input, [data-path="{path}"] select')

    def path_of(self, name, operator, field):
        return self.js("""
            const step = [...document.querySelectorAll('.inspector .field')].map((f) => f.dataset.path)
              .find((p) => p && p.endsWith(`.${arguments[0]}.${arguments[1]}`));
            return step;""", operator, field) or self.fail(f"{name} has no field {operator}.{field} in the panel")

    def type(self, field, text):
        """Text in place of what a field holds, and Enter. A path of the stack instead of a field: wherever it is now,
        since the panel is made anew when the stack changes."""
        from selenium.common.exceptions import StaleElementReferenceException
        for _ in range(20):
            try:
                element = self.field(field) if isinstance(field, str) else field
                self.js("arguments[0].scrollIntoView({block: 'center'})", element)
                element.click()
                self.js("arguments[0].select()", element)
                element.send_keys(str(text), "\ue007")
                return
            except StaleElementReferenceException:
                if not isinstance(field, str):
                    raise

    def ctrl(self, key, focus="#stage"):
        self.js("document.querySelector(arguments[0]).focus()", focus)
        self.actions().key_down("\ue009").send_keys(key).key_up("\ue009").perform()

    def fail(self, words):
        raise AssertionError(words)

    def file(self):
        return self.studio.stack.read_text()

    def stage_at(self, x, y):
        """Where a pixel of the picture is on the screen, from the middle of the stage."""
        return self.js("""
            const [x, y] = arguments;
            return import('/picture.js').then(({toScreen}) => {
              const p = toScreen({x, y});
              const s = document.getElementById('stage').getBoundingClientRect();
              return [Math.round(p.x - s.width / 2), Math.round(p.y - s.height / 2)];
            });""", x, y)

    def pixels_differ(self, png):
        """Compares the picture on the screen, one to one, with a PNG: how many of its pixels differ, and how many it has."""
        self.keys("Z")
        time.sleep(0.3)
        return self.driver.execute_async_script("""
            const [data, done] = arguments;
            const image = new Image();
            image.onload = async () => {
              const {toScreen} = await import('/picture.js');
              const at = toScreen({x: 0, y: 0});
              const canvas = document.getElementById('picture');
              const copy = document.createElement('canvas');
              copy.width = image.width; copy.height = image.height;
              const context = copy.getContext('2d', {willReadFrequently: true});
              context.drawImage(image, 0, 0);
              const wanted = context.getImageData(0, 0, image.width, image.height).data;
              const seen = canvas.getContext('2d').getImageData(at.x, at.y, image.width, image.height).data;
              let differ = 0;
              for (let i = 0; i < wanted.length; i += 4) {
                if (wanted[i] !== seen[i] || wanted[i + 1] !== seen[i + 1] || wanted[i + 2] !== seen[i + 2]) ++differ;
              }
              done({differ, pixels: image.width * image.height, place: [at.x, at.y]});
            };
            image.onerror = () => done({differ: -1, pixels: 0});
            image.src = 'data:image/png;base64,' + data;""", base64.b64encode(png).decode())

    def same_pixels(self, png, what):
        got = {}

        def same():
            got.update(self.pixels_differ(png))
            assert got["differ"] == 0, got
            return True
        until(f"{what} has the pixels of the command line", same, 15)
        assert got["pixels"] == 480 * 270, got


def one_change(before, after):
    """The one line that differs, before and after."""
    old, new = before.splitlines(), after.splitlines()
    assert len(old) == len(new), f"{len(old)} lines became {len(new)}"
    differ = [(a, b) for a, b in zip(old, new) if a != b]
    assert len(differ) == 1, differ
    return differ[0]


# ---- opening and looking -------------------------------------------------------------


@test
def opens(world):
    """The page lists all plates, masks and passes of the stack and shows the last pass."""
    text = world.good_text
    wanted = len(re.findall(r"^(?:plate|mask|pass) \{", text, re.M))
    assert len(world.all(".pass-row")) == wanted, f"{len(world.all('.pass-row'))} rows, {wanted} in the file"
    assert world.text("#stack-name") == "apiary_010"
    until("states are known", lambda: world.all('.pass-row[data-name="matte"] .state-held'))
    # Working order: nothing stands before what it is made from.
    order = world.js("return [...document.querySelectorAll('.pass-row.is-pass')].map((r) => r.dataset.name)")
    assert order.index("degrained") < order.index("core") < order.index("matte") < order.index("comp_grade"), order


@test
def pixels_are_those_of_look(world):
    """What is on the screen at one to one is, pixel by pixel, what `selvage look` writes."""
    for name, frame, how, more in (("foreground", 1003, "checker", ()), ("matte", 1005, "matte", ()), ("element", 1002, "black", ()),
                                   ("plate", 1004, "color", ()), ("foreground", 1003, "plate", ()),
                                   ("foreground", 1006, "background", ("--background", "meadow"))):
        world.choose(name)
        world.type(world.one("#frame"), frame)
        world.one(f'.segments button[aria-label="as {dict(color="colour", plate="on plate", background="on back").get(how, how)}"]').click()
        world.shows(name, frame, how)
        world.same_pixels(world.studio.look(name, frame, "--as", how, *more), f"{name} at {frame} as {how}")


@test
def keys_step_frames_and_passes(world):
    """Arrows, Home and End step; Space plays what is held; ? shows the keys."""
    world.choose("matte")
    world.keys("\ue011")  # Home
    world.shows("matte", 1001)
    world.keys("\ue014\ue014")
    world.shows("matte", 1003)
    world.keys("\ue010")
    world.shows("matte", 1008)
    before = world.picture_there().split(" ")[0]
    world.keys("\ue013")
    until("another pass is shown", lambda: world.picture_there() and world.picture_there().split(" ")[0] != before)
    world.keys("?")
    until("the keys are shown", lambda: world.one("#help").is_displayed() and "one frame on" in world.text("#help"))
    world.screen("keys")
    world.keys("\ue00c", focus=None)
    until("they are closed", lambda: not world.one("#help").is_displayed())


@test
def plays_what_is_held(world):
    """Playing shows every held frame, in order, and stops."""
    world.choose("matte")
    until("all frames are held", lambda: "8 of 8 held" in world.text("#strip-words"))
    # Slow enough for a busy machine: the page leaves frames out rather than playing too slowly.
    world.js("const rate = document.getElementById('rate'); rate.value = '6'; rate.dispatchEvent(new Event('change'))")
    world.js("""
        window.seen = [];
        const box = document.getElementById('frame');
        window.watch = setInterval(() => { const f = +box.value; if (seen.at(-1) !== f) seen.push(f); }, 2);""")
    world.keys(" ")
    until("two rounds were played", lambda: len(world.js("return window.seen")) > 18)
    world.keys(" ")
    seen = world.js("clearInterval(window.watch); return window.seen")
    assert set(seen) == set(range(1001, 1009)), sorted(set(seen))
    steps = [(b - a) % 8 for a, b in zip(seen, seen[1:])]
    assert steps.count(1) > len(steps) // 2, seen
    until("a still picture is there", world.picture_there)


@test
def compares(world):
    """Wipe, flip and difference show the other picture where they should."""
    world.choose("foreground")
    world.one('#look-bar select[aria-label="Compare"]').send_keys("difference")
    world.js("const s = document.querySelector('#look-bar select[aria-label=\"Compare with\"]'); s.value = 'foreground'; s.dispatchEvent(new Event('change', {bubbles: true}))")
    sample = """
        const c = document.getElementById('picture');
        const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
        let most = 0; for (let i = 0; i < d.length; i += 4) most = Math.max(most, d[i], d[i + 1], d[i + 2]);
        return most;"""
    until("a picture differs from itself nowhere", lambda: world.js(sample) == 0)
    world.js("const s = document.querySelector('#look-bar select[aria-label=\"Compare with\"]'); s.value = 'plate'; s.dispatchEvent(new Event('change', {bubbles: true}))")
    until("and from the plate somewhere", lambda: world.js(sample) > 100)
    world.keys("w")
    until("the wipe is chosen", lambda: world.js("return document.querySelector('#look-bar select[aria-label=Compare]').value") == "wipe")
    plate = world.studio.look("plate", 1001, "--as", "color")
    world.keys("\ue011")
    world.shows("foreground", 1001)
    until("the right half is the plate", lambda: 0.40 < (lambda g: g["differ"] / g["pixels"])(world.pixels_differ(plate)) < 0.51)
    world.screen("wipe")


@test
def values_under_the_pointer(world):
    """The code values told are those of the picture that `look` writes."""
    world.choose("plate")
    world.shows("plate", how="color")
    x, y = world.stage_at(100, 50)
    world.actions().move_to_element_with_offset(world.one("#stage"), x, y).perform()
    told = until("values are told", lambda: world.text("#values"))
    place = re.match(r"x (\d+)  y (\d+)", told).groups()
    png = world.studio.look("plate", 1001, "--as", "color")
    wanted = world.driver.execute_async_script("""
        const [data, x, y, done] = arguments;
        const image = new Image();
        image.onload = () => {
          const copy = document.createElement('canvas');
          copy.width = image.width; copy.height = image.height;
          const context = copy.getContext('2d');
          context.drawImage(image, 0, 0);
          done([...context.getImageData(x, y, 1, 1).data].slice(0, 3));
        };
        image.src = 'data:image/png;base64,' + data;""", base64.b64encode(png).decode(), int(place[0]), int(place[1]))
    assert abs(int(place[0]) - 100) <= 1 and abs(int(place[1]) - 50) <= 1, told
    assert "code " + " ".join(map(str, wanted)) in told, (told, wanted)


@test
def resting_the_pointer_tells_the_own_values(world):
    """Where the pointer rests, the values are those of `look --values`, of colour with alpha and of a matte."""
    for name, how in (("foreground", "checker"), ("matte", "matte")):
        world.choose(name)
        world.shows(name)
        world.actions().move_to_element_with_offset(world.one("#stage"), *world.stage_at(240, 130)).perform()
        told = until("exact values are told", lambda: re.search(r"x (\d+)  y (\d+) .*?((?:linear(?: -?\d+\.\d{5}){3}  )?alpha -?\d+\.\d{5})", world.text("#values")))
        wanted = json.loads(world.studio.selvage("--json", "look", world.studio.stack, name, "--frame", 1001, "--values", f"{told.group(1)},{told.group(2)}").stdout)["value"][0]["linear"]
        assert [float(v) for v in re.findall(r"-?\d+\.\d{5}", told.group(3))] == [round(v, 5) for v in wanted], (told.group(0), wanted)


# ---- changing the stack --------------------------------------------------------------


@test
def dragging_a_number_changes_only_its_characters(world):
    """A pulled number is in the file when the mouse is let go, and the picture is that of the new file."""
    world.choose("core_key")
    path = world.path_of("core_key", "levels", "white")
    field = world.field(path)
    world.js("arguments[0].scrollIntoView({block: 'center'})", field)
    before = world.file()
    world.actions().click_and_hold(field).move_by_offset(10, 0).move_by_offset(30, 0).release().perform()
    until("the file has changed", lambda: world.file() != before)
    old, new = one_change(before, world.file())
    # The page builds the field anew when it has read the file.
    value = float(until("the field shows it", lambda: world.field(path).get_attribute("value")))
    pieces = re.sub(r"white \{ value: [\d.]+ \}", "", old), re.sub(r"white \{ value: [\d.]+ \}", "", new)
    assert pieces[0] == pieces[1], (old, new)
    assert f"white {{ value: {value:g} }}" in new, (new, value)
    frame = world.js("return document.getElementById('frame').value")
    world.shows("core_key", frame, "matte")
    world.same_pixels(world.studio.look("core_key", frame, "--as", "matte"), "core_key after the drag")
    world.ctrl("z")
    until("undo brings the text back", lambda: world.file() == before)


@test
def numbers_are_typed_reset_and_keyed(world):
    """Exact entry, reset to the default, key frames; each undone to the same bytes."""
    world.choose("core_key")
    path = world.path_of("core_key", "levels", "white")
    before = world.file()
    world.type(path, "0.8125")
    until("the file has it", lambda: "white { value: 0.8125 }" in world.file())
    typed = world.file()
    world.js("document.querySelector(`[data-path=\"${arguments[0]}\"] button.key`).click()", path)
    until("there is a key frame", lambda: re.search(r"white \{ at \{ frame: 100\d value: 0\.8125 \} \}", world.file()))
    world.ctrl("z")
    until("undone", lambda: world.file() == typed)
    until("the panel shows it without a key frame", lambda: world.js("return document.querySelector(`[data-path=\"${arguments[0]}\"] button.key`).getAttribute('aria-pressed')", path) in (None, "false"))
    world.js("document.querySelector(`[data-path=\"${arguments[0]}\"] button.reset`).click()", path)
    until("it is reset", lambda: "0.8125" not in world.file())
    world.ctrl("z")
    until("undone", lambda: world.file() == typed)
    world.ctrl("z")
    until("undone to the first bytes", lambda: world.file() == before)
    # What cannot be a number leaves the file alone.
    world.type(path, "much")
    time.sleep(0.5)
    assert world.file() == before
    assert world.field(path).get_attribute("value") == "0.86"


@test
def passes_are_added_renamed_muted_and_moved(world):
    """A new pass, a step in it, a rename everywhere, a mute; all is ordinary text."""
    world.choose("core_key")
    world.one("#add-pass").click()
    box = until("a name is asked for", lambda: world.one("#ask input"))
    world.type(box, "tighter")
    until("the pass is in the file", lambda: re.search(r'name: "tighter"', world.file()) and 'from: "core_key"' in world.file())
    world.shows("tighter")
    world.js("const s = document.querySelector('.inspector select.add'); s.value = 'choke'; s.dispatchEvent(new Event('change'))")
    until("it has a step", lambda: re.search(r'name: "tighter"[^}]*step \{ choke', world.file(), re.S))
    until("the step is in the panel", lambda: "choke" in world.text(".inspector .step h3"))
    world.js("[...document.querySelectorAll('.inspector-head button')].find((b) => b.textContent === 'rename').click()")
    box = until("a name is asked for", lambda: world.one("#ask[open] input"))
    world.type(box, "tightest")
    until("it is renamed", lambda: '"tightest"' in world.file() and '"tighter"' not in world.file())
    world.shows("tightest")
    world.js("[...document.querySelectorAll('.inspector .step button')].find((b) => b.textContent === 'mute').click()")
    until("the step is muted", lambda: "#muted" in world.file())
    until("it can be taken in again", lambda: world.all(".step.is-muted button"))
    world.one(".step.is-muted button").click()
    until("it is", lambda: "#muted" not in world.file())
    world.studio.selvage("check", world.studio.stack)


def without_steps(text, names):
    """The stack's text with no step in these passes."""
    for name in names:
        at = re.search(rf'pass \{{\s*name: "{name}"', text).start()
        depth, begun, i = 1, None, text.index("{", at) + 1
        while depth > 0:
            if text[i] == '"':
                i = text.index('"', i + 1)
            elif text[i] == "#":
                i = text.index("\n", i)
            elif text[i] == "{":
                depth += 1
            elif text[i] == "}":
                depth -= 1
                if depth == 1 and begun is not None:
                    text = text[:begun] + text[i + 1:]
                    i, begun = begun - 1, None
            elif depth == 1 and re.match(r"step\s*\{", text[i:]):
                begun = i
            i += 1
    return text


@test
def passes_are_left_out_and_soloed(world):
    """A pass that is left out hands on what it comes from; with solo only one has an effect; the file stays as it is."""
    before = world.file()
    world.choose("comp_grade")
    whole = world.studio.look("comp_grade", 1001, "--as", "checker")
    world.same_pixels(whole, "comp_grade")
    of = re.search(r'name: "comp_grade"\s+from: "(\w+)"', before).group(1)
    without = world.studio.look(of, 1001, "--as", "checker")
    assert without != whole
    world.keys("u")
    world.same_pixels(without, "comp_grade without its steps")
    until("the list says so", lambda: "left out" in world.text('.pass-row[data-name="comp_grade"] .state'))
    # Through an edit of another pass it stays left out.
    world.studio.stack.write_text(before.replace('name: "apiary_010"', 'name: "apiary_010"  # saved elsewhere', 1))
    world.same_pixels(without, "comp_grade without its steps after a save")
    world.studio.stack.write_text(before)
    world.keys("s")
    until("solo is told", lambda: "solo" in world.text('.pass-row[data-name="comp_grade"] .state'))
    until("others are left out", lambda: world.all(".pass-row.is-left-out"))
    soloed = world.js("return [...document.querySelectorAll('.pass-row.is-left-out')].map((r) => r.dataset.name)")
    assert "comp_grade" not in soloed, soloed
    # By hand: a stack in which those passes have no steps.
    text = without_steps(before, soloed)
    other = world.studio.folder / "solo.stack"
    other.write_text(text)
    out = world.studio.folder / "solo.png"
    world.studio.selvage("look", other, "comp_grade", "--frame", 1001, "--as", "checker", "-o", out)
    world.same_pixels(out.read_bytes(), "comp_grade alone")
    world.screen("solo")
    world.keys("s")
    world.same_pixels(without, "comp_grade left out as before solo")
    world.keys("u")
    world.same_pixels(whole, "comp_grade with all")
    assert world.file() == before
    # What gives another kind than it comes from cannot be left out, and that is said.
    world.choose("core_key")
    world.keys("u")
    until("it is said", lambda: "cannot be left out" in world.text("#said"))


# ---- hands ---------------------------------------------------------------------------


@test
def a_mask_is_drawn_on_the_picture(world):
    """Clicks on the picture become a mask in the file; points are moved, inserted and removed."""
    world.choose("plate")
    world.view("draw")
    world.js("[...document.querySelectorAll('#view-draw button')].find((b) => b.textContent === '+ mask').click()")
    box = until("a name is asked for", lambda: world.one("#ask[open] input"))
    world.type(box, "by_hand")
    until("the pen is out", lambda: "Drawing by_hand" in world.text("#tool-words"))
    corners = [(60, 40), (200, 50), (180, 160), (70, 150)]
    stage = world.one("#stage")
    for corner in corners:
        world.actions().move_to_element_with_offset(stage, *world.stage_at(*corner)).click().perform()
    world.screen("pen")
    world.keys("\ue007")
    until("the mask is in the file", lambda: 'name: "by_hand"' in world.file())
    path = re.search(r'name: "by_hand".*?path: "([^"]*)"', world.file(), re.S).group(1)
    numbers = list(map(float, re.findall(r"-?[\d.]+", path)))
    for (x, y), got in zip(corners, zip(numbers[::2], numbers[1::2])):
        assert abs(x - got[0]) < 1 and abs(y - got[1]) < 1, (corners, path)
    world.studio.selvage("check", world.studio.stack)

    # A point is moved by 20 to the right and 10 down.
    drawn = world.file()
    x, y = world.stage_at(numbers[2], numbers[3])
    to = world.stage_at(numbers[2] + 20, numbers[3] + 10)
    until("its outline is known", lambda: world.all("#view-draw .shape-row"))
    world.actions().move_to_element_with_offset(stage, x, y).click_and_hold().move_by_offset(3, 0).move_by_offset(to[0] - x - 3, to[1] - y).release().perform()
    until("the file has changed", lambda: world.file() != drawn)
    moved = list(map(float, re.findall(r"-?[\d.]+", re.search(r'name: "by_hand".*?path: "([^"]*)"', world.file(), re.S).group(1))))
    assert abs(moved[2] - numbers[2] - 20) < 1.5 and abs(moved[3] - numbers[3] - 10) < 1.5, (numbers, moved)
    assert [a for i, a in enumerate(moved) if i not in (2, 3)] == [a for i, a in enumerate(numbers) if i not in (2, 3)], (numbers, moved)

    # A point more by the keyboard, and away again.
    before = world.file()
    time.sleep(0.3)
    world.keys("i")
    until("a point is inserted", lambda: len(re.findall(r"[LC]", re.search(r'name: "by_hand".*?path: "([^"]*)"', world.file(), re.S).group(1))) == 4)
    until("the page has seen it", lambda: "insert" in world.one("#undo").get_attribute("title"))
    time.sleep(0.3)
    world.keys("\ue017")
    until("it is removed", lambda: world.file() == before)
    world.screen("draw-new")


@test
def a_mask_is_drawn_by_keyboard(world):
    """No pointer: a mask named, its points set where arrows aim, closed; a sample box by two corners; all said as it is done."""
    world.choose("plate")
    world.keys("S")
    until("Draw is open", lambda: world.one("#view-draw").is_displayed())
    if "Drawing" not in world.text("#tool-words"):
        world.type(until("a name is asked for", lambda: world.one("#ask[open] input")), "by_key")
    until("the pen is out", lambda: "Drawing" in world.text("#tool-words"))
    mask = re.search(r"Drawing (\w+)", world.text("#tool-words")).group(1)
    before = world.file()
    right, left, down = "\ue014", "\ue012", "\ue015"
    world.keys("i" + right * 30 + "i" + down * 20 + "i" + left * 30 + "i")
    until("four points are told", lambda: "Point 4 at" in world.text("#said"))
    world.keys("\ue007")
    until("the shape is in the file", lambda: world.file() != before)
    block = re.search(rf'mask \{{\s*name: "{mask}".*?\n\}}', world.file(), re.S).group(0)
    path = re.findall(r'path: "([^"]*)"', block)[-1]
    numbers = list(map(float, re.findall(r"-?[\d.]+", path)))
    assert len(numbers) == 8 and [round(b - a) for a, b in zip(numbers, numbers[2:])] == [30, 0, 0, 20, -30, 0], path
    world.studio.selvage("check", world.studio.stack)

    # The sample of a key.
    world.choose_in_passes("core_key")
    world.js("document.querySelector('.inspector .field.is-block[data-path$=\"screen.sample\"] button.small').click()")
    until("the tool is out", lambda: "drag a box" in world.text("#tool-words"))
    world.keys("i" + right * 24 + down * 16 + "i")
    until("the file has it", lambda: re.search(r'name: "core_key".*?sample \{([^}]*)\}', world.file(), re.S).group(1) != re.search(r'name: "core_key".*?sample \{([^}]*)\}', world.good_text, re.S).group(1))
    sample = {k: int(v) for k, v in re.findall(r"(\w+): (\d+)", re.search(r'name: "core_key".*?sample \{([^}]*)\}', world.file(), re.S).group(1))}
    assert 24 <= sample["width"] <= 25 and 16 <= sample["height"] <= 17, sample


@test
def a_shape_gets_a_key_frame(world):
    """Moving a point away from a key frame makes one; the other drawings stay as they are."""
    world.choose("head_shape")
    world.view("draw")
    until("its shapes are listed", lambda: world.all("#view-draw .shape-row"))
    world.keys("\ue011\ue014\ue014")
    world.shows("head_shape", 1003)
    before = world.file()
    block = re.search(r'mask \{\s*name: "head_shape".*?\n\}', before, re.S).group(0)
    frames = [int(f) for f in re.findall(r"at \{ frame: (\d+)", block)]
    assert 1003 not in frames, frames
    until("the outline of this frame is known", lambda: "key frame at 1003" in world.text("#view-draw"))
    world.keys("n")
    until("a point is chosen", lambda: "Point 1 of" in world.text("#said"))
    world.keys("\ue014\ue014")
    until("a key frame is in the file", lambda: "frame: 1003" in re.search(r'mask \{\s*name: "head_shape".*?\n\}', world.file(), re.S).group(0))
    after = re.search(r'mask \{\s*name: "head_shape".*?\n\}', world.file(), re.S).group(0)
    for line in block.splitlines():
        assert line in after, line
    world.same_pixels(world.studio.look("head_shape", 1003, "--as", "matte"), "head_shape after a point was moved")
    world.studio.selvage("check", world.studio.stack)


@test
def a_mask_goes_with_a_point(world):
    """One point of the picture is clicked at two frames: the mask is moved by as much between them."""
    world.choose("head_shape")
    world.view("draw")
    until("its shapes are listed", lambda: world.all("#view-draw .shape-row"))
    world.keys("\ue011")
    world.shows("head_shape", 1001)
    world.js("[...document.querySelectorAll('#view-draw button')].find((b) => b.textContent === 'move by a point').click()")
    until("the tool is out", lambda: "Click the same point" in world.text("#tool-words"))
    stage = world.one("#stage")

    def block():
        return re.search(r'mask \{\s*name: "head_shape".*?\n\}', world.file(), re.S).group(0)
    world.actions().move_to_element_with_offset(stage, *world.stage_at(200, 60)).click().perform()
    until("the first place is in the file", lambda: "track {" in block() and "frame: 1001" in block().split("track {")[1])
    world.keys("\ue014\ue014\ue014\ue014")
    world.shows("head_shape", 1005)
    world.actions().move_to_element_with_offset(stage, *world.stage_at(216, 52)).click().perform()
    until("the second, too", lambda: "frame: 1005" in block().split("track {")[1])
    track = block().split("track {")[1]
    moved = [list(map(float, re.findall(r"frame: \d+ value: (-?[\d.]+)", re.search(rf"{axis} \{{.*?\}} \}}", track, re.S).group(0)))) for axis in ("x", "y")]
    assert abs(moved[0][1] - moved[0][0] - 16) < 1.5 and abs(moved[1][1] - moved[1][0] + 8) < 1.5, moved
    world.keys("\ue00c")
    world.studio.selvage("check", world.studio.stack)
    until("the mask is drawn", world.picture_there)
    world.same_pixels(world.studio.look("head_shape", 1005, "--as", "matte"), "head_shape moved by the point")


@test
def a_box_is_drawn_for_a_sample(world):
    """A box dragged on the picture becomes the sample of a step."""
    world.choose("core_key")
    world.js("document.querySelector('.inspector .field.is-block[data-path$=\"screen.sample\"] button.small').click()")
    until("the tool is out", lambda: "drag a box" in world.text("#tool-words"))
    a, b = world.stage_at(20, 30), world.stage_at(60, 70)
    world.actions().move_to_element_with_offset(world.one("#stage"), *a).click_and_hold().move_by_offset(b[0] - a[0], b[1] - a[1]).release().perform()
    def sample():
        text = re.search(r'name: "core_key".*?sample \{([^}]*)\}', world.file(), re.S).group(1)
        return {k: int(v) for k, v in re.findall(r"(\w+): (\d+)", text)}
    before = re.search(r'name: "core_key".*?sample \{([^}]*)\}', world.good_text, re.S).group(1)
    until("the file has it", lambda: re.search(r'name: "core_key".*?sample \{([^}]*)\}', world.file(), re.S).group(1) != before)
    got = sample()
    assert abs(got["x"] - 20) <= 1 and abs(got["y"] - 30) <= 1 and abs(got["width"] - 40) <= 2 and abs(got["height"] - 40) <= 2, got


# ---- the world outside ---------------------------------------------------------------


@test
def the_page_follows_an_editor(world):
    """What an editor saves is on the page, and is one step of undo."""
    changed = world.good_text.replace('name: "hair_contrast"', 'name: "strands"').replace('"hair_contrast"', '"strands"')
    world.studio.stack.write_text(changed)
    until("the new name is listed", lambda: world.all('.pass-row[data-name="strands"]'))
    assert not world.all('.pass-row[data-name="hair_contrast"]')


@test
def a_fault_is_told_at_its_line(world):
    """A text that cannot be read keeps the picture, and says line and reason; mended, all is well."""
    lines = world.good_text.splitlines(keepends=True)
    number = next(i for i, line in enumerate(lines) if 'name: "core_key"' in line) + 1
    lines[number] = "  fromm: \"degrained\"\n"
    world.studio.stack.write_text("".join(lines))
    until("the page says so", lambda: world.one("#alert").is_displayed() and f"line {number + 1}" in world.text("#alert"))
    assert world.picture_there() is not None
    assert len(world.all(".pass-row")) > 40
    world.view("text")
    until("the line is marked", lambda: f"▲ {number + 1}" in world.text("#text-lines").split("\n"))
    world.screen("fault")
    # It is mended under Text.
    world.js("const a = document.querySelector('#view-text textarea'); a.value = a.value.replace('fromm:', 'from:'); a.dispatchEvent(new Event('input'))")
    world.one("#text-save").click()
    until("the file is mended", lambda: world.file() == world.good_text)
    until("the page says nothing any more", lambda: not world.one("#alert").is_displayed())
    # One that the daemon finds: a pass that is not there.
    world.studio.stack.write_text(world.good_text.replace('combine { with: "bright_core"', 'combine { with: "bright_coer"'))
    until("the daemon's fault is told", lambda: "bright_coer" in world.text("#text-faults"))
    world.studio.stack.write_text(world.good_text)
    until("and gone", lambda: "No faults" in world.text("#text-faults"))


@test
def a_file_that_is_gone_loses_nothing(world):
    """The file is moved away while the page is open: the page says so and keeps what it shows."""
    shown = world.picture_there()
    away = world.studio.stack.with_suffix(".away")
    world.studio.stack.rename(away)
    until("the page says so", lambda: world.one("#alert").is_displayed())
    assert len(world.all(".pass-row")) > 40 and shown
    away.rename(world.studio.stack)
    until("and is content again", lambda: not world.one("#alert").is_displayed())


@test
def a_daemon_that_is_gone_is_told_and_comes_back(world):
    """Without the daemon the picture stays, edits are still written; with it again all goes on."""
    world.choose("core_key")
    world.studio.stop_daemon()
    until("the page says so", lambda: world.one("#alert").is_displayed() and "daemon" in world.text("#alert").lower() or "answer" in world.text("#alert"))
    path = world.path_of("core_key", "levels", "white")
    world.type(path, "0.75")
    until("the edit is written", lambda: "white { value: 0.75 }" in world.file())
    drawn = world.js("const c = document.getElementById('picture'); const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data; let n = 0; for (let i = 3; i < d.length; i += 4) if (d[i]) ++n; return n")
    assert drawn > 10000, "the picture that was drawn is gone"
    world.screen("away")
    world.studio.start_daemon()
    until("the page says nothing any more", lambda: not world.one("#alert").is_displayed())
    frame = world.js("return document.getElementById('frame').value")
    world.shows("core_key", frame, "matte")
    world.same_pixels(world.studio.look("core_key", frame, "--as", "matte"), "core_key after the daemon came back")


@test
def nothing_is_lost_against_a_busy_editor(world):
    """Another program rewrites the file all the time; what the artist types is in it in the end."""
    world.choose("core_key")
    path = world.path_of("core_key", "levels", "white")
    field = world.field(path)
    world.js("arguments[0].scrollIntoView({block: 'center'})", field)
    import threading
    stop = threading.Event()
    count = [0]

    def rewrite():
        while not stop.is_set():
            # As an editor does: reads, changes its own piece, and puts the whole in its place.
            text = world.studio.stack.read_text()
            count[0] += 1
            new = re.sub(r'note: "the sun[^"]*"', f'note: "the sun {count[0]}"', text)
            if world.studio.stack.read_text() == text:
                other = world.studio.stack.with_suffix(".new")
                other.write_text(new)
                other.replace(world.studio.stack)
            stop.wait(0.1)
    thread = threading.Thread(target=rewrite)
    thread.start()
    try:
        until("the editor is at work", lambda: count[0] > 3)
        world.type(path, "0.77")
        until("the artist's number is in the file", lambda: "white { value: 0.77 }" in world.file())
        seen = count[0]
        until("the editor goes on", lambda: count[0] > seen + 5)
    finally:
        stop.set()
        thread.join()
    assert "white { value: 0.77 }" in world.file() and f'"the sun ' in world.file()
    until("the page has the last of both", lambda: world.field(path).get_attribute("value") == "0.77" and world.js("return document.getElementById('stack-state').textContent") == "written")
    world.studio.selvage("check", world.studio.stack)


@test
def strangers_are_refused(world):
    """No cookie, a foreign Host or Origin, a cross-site request, a path that climbs: all refused, and nothing changed."""
    cookie = "; ".join(f"{c['name']}={c['value']}" for c in world.driver.get_cookies())
    host = re.match(r"http://([\d.:]+)/", world.address).group(1)
    before = world.file()
    body = json.dumps({"digest": "", "edits": []}).encode()
    kind = {"Content-Type": "application/json"}
    for what, method, path, headers, payload, wanted in (
            ("no cookie", "GET", "/api/stack", {}, None, {403}),
            ("a wrong key", "GET", "/?key=00000000", {}, None, {403}),
            ("a wrong cookie", "GET", "/api/stack", {"Cookie": re.sub("=.", "=#", cookie)}, None, {403}),
            ("a foreign host", "GET", "/api/stack", {"Cookie": cookie, "Host": "evil.example"}, None, {403}),
            ("a foreign host with our port", "GET", "/", {"Cookie": cookie, "Host": f"evil.example:{host.split(':')[1]}"}, None, {403}),
            ("a foreign origin", "POST", "/api/edit", {"Cookie": cookie, "Origin": "http://evil.example", **kind}, body, {403}),
            ("no origin", "POST", "/api/undo", {"Cookie": cookie, **kind}, body, {403}),
            ("a cross-site fetch", "GET", "/api/stack", {"Cookie": cookie, "Sec-Fetch-Site": "cross-site"}, None, {403}),
            ("a form", "POST", "/api/edit", {"Cookie": cookie, "Origin": f"http://{host}", "Content-Type": "text/plain"}, body, {400, 403, 415}),
            ("a path that climbs", "GET", "/../../../../etc/passwd", {"Cookie": cookie}, None, {400, 403, 404}),
            ("a path that climbs in disguise", "GET", "/%2e%2e/%2e%2e/etc/passwd", {"Cookie": cookie}, None, {400, 403, 404}),
            ("a method that is not there", "DELETE", "/api/stack", {"Cookie": cookie, "Origin": f"http://{host}"}, None, {403, 405})):
        status, _, got = request(world.address, method, path, headers, payload)
        assert status in wanted, (what, status, got[:200])
        assert b"root:" not in got and b"apiary" not in got, (what, got[:200])
    status, headers, _ = request(world.address, "GET", "/", {"Cookie": cookie})
    assert status == 200 and "default-src 'none'" in headers.get("Content-Security-Policy", ""), headers
    assert world.file() == before


# ---- shot, report, farm, fetch -------------------------------------------------------


@test
def the_shot_is_submitted_and_watched(world):
    """A changed number, submitted from the page; the grid says what is held, a click there looks."""
    world.studio.stack.write_text(world.good_text.replace("gain { r: 1.03 g: 1.0 b: 0.97 }", f"gain {{ r: 1.{int(time.time()) % 1000:03d}1 g: 1.0 b: 0.97 }}"))
    world.view("shot")
    until("the plan is told", lambda: re.search(r"\d+ tasks would be rendered", world.text("#shot-job")))
    before = world.text("#shot-job")
    world.screen("shot-before")
    world.js("[...document.querySelectorAll('#shot-job button')].find((b) => b.textContent === 'Submit').click()")
    until("nothing is left to render", lambda: "Nothing would be rendered" in world.text("#shot-job"))
    assert "rendered" in before
    until("the job is done", lambda: "done" in world.text("#shot-job .state"))
    # The first row of the grid is the first pass; a click in it looks at it there.
    grid = world.one(".shot-grid")
    world.js("document.querySelector('.shot-scroll').scrollTop = 0")
    time.sleep(0.3)
    size = grid.size
    each = (size["width"] - 158) / 8
    world.actions().move_to_element_with_offset(grid, int(150 + 4.5 * each - size["width"] / 2), int(9 - size["height"] / 2)).click().perform()
    world.shows(world.js("return [...document.querySelectorAll('.pass-row.is-pass')][0].dataset.name"), 1005)
    world.screen("shot")


# ---- versions ------------------------------------------------------------------------


def submit_from_page(world, note):
    """Submits with a note, from the shot's view; the number that the page tells."""
    world.view("shot")
    box = world.one("#submit-note")
    # A job that has nothing to do is done at once, and that is said next.
    world.js("""
        window.saidAll = [];
        if (window.saidBy === undefined) {
          window.saidBy = new MutationObserver(() => window.saidAll.push(document.getElementById('said').textContent));
          window.saidBy.observe(document.getElementById('said'), {childList: true, characterData: true, subtree: true});
        }""")
    box.send_keys(note, "\ue007")
    said = until("it is submitted", lambda: re.search(r"Submitted as version (\d+)", " ".join(world.js("return window.saidAll"))))
    until("the note's field is empty again", lambda: box.get_attribute("value") == "")
    # What is said is said again by the next one.
    world.js("document.getElementById('said').textContent = ''")
    until("the job is done", lambda: "done" in world.text("#shot-job .state") and "Nothing would be rendered" in world.text("#shot-job"))
    return int(said.group(1))


def change_and_submit(world, white, note):
    world.choose_in_passes("core_key")
    path = world.path_of("core_key", "levels", "white")
    world.type(path, white)
    until("the file has it", lambda: f"white {{ value: {white} }}" in world.file())
    return submit_from_page(world, note)


def pick(world, label, value):
    world.js("""
        const s = [...document.querySelectorAll('select')].find((one) => one.getAttribute('aria-label') === arguments[0] && one.offsetParent !== null);
        s.value = arguments[1]; s.dispatchEvent(new Event('change', {bubbles: true}));""", label, str(value))


@test
def versions_are_listed_with_what_changed(world):
    """Submissions with a note stand in the list, newest first, each with its changes in words as `selvage compare` has them."""
    first = change_and_submit(world, "0.81", "a little lower")
    second = change_and_submit(world, "0.77", 'lower "still" <b>')
    assert second == first + 1
    world.one("#shot-part-versions").click()
    row = until("the newest is listed", lambda: world.one(f'.version-row[data-number="{second}"]'))
    until("its changes are told", lambda: "white 0.81 -> 0.77" in world.text(f'.version-row[data-number="{second}"] .version-words'))
    assert 'lower "still" <b>' in row.text, row.text
    numbers = world.js("return [...document.querySelectorAll('.version-row')].map((r) => +r.dataset.number)")
    wanted = [v["number"] for v in json.loads(world.studio.selvage("--json", "versions", world.studio.stack, "--limit", 500).stdout)["version"]]
    assert numbers == wanted, (numbers, wanted)
    # Two of them, and one against the editor: the words of the command line.
    pick(world, "Compare this version", first)
    pick(world, "with this one", second)
    told = json.loads(world.studio.selvage("--json", "compare", f"{world.studio.stack}@{first}", f"{world.studio.stack}@{second}").stdout)["change"]
    assert len(told) == 1, told
    until("the same words", lambda: world.text(".version-changes dt") == told[0]["where"] and world.text(".version-changes dd") == told[0]["text"])
    world.screen("versions")
    pick(world, "Compare this version", second)
    pick(world, "with this one", 0)
    until("nothing differs from the editor", lambda: "The settings are the same" in world.text("#version-pair"))
    world.studio.stack.write_text(world.file().replace("white { value: 0.77 }", "white { value: 0.70 }"))
    until("what was saved is compared", lambda: "white 0.77 -> 0.7" in world.text("#version-pair"))


@test
def a_version_is_seen_beside_another(world):
    """Wipe, flip and difference of the same pass in two versions have the pixels of each."""
    first = change_and_submit(world, "0.84", "for the picture")
    theirs = world.studio.look("core_key", 1004, "--as", "matte")
    second = change_and_submit(world, "0.94", "darker")
    mine = world.studio.look("core_key", 1004, "--as", "matte")
    assert theirs != mine
    world.type(world.one("#frame"), 1004)
    world.one("#shot-part-versions").click()
    until("the list is there", lambda: world.one(f'.version-row[data-number="{first}"]').is_displayed())
    pick(world, "Compare this version", first)
    pick(world, "with this one", 0)
    world.one(f'#version-pair button[aria-label^="flip of core_key"]').click()
    until("the earlier one is seen", lambda: world.js("return document.getElementById('picture').dataset.other") == f"core_key 1004 matte @{first}")
    world.same_pixels(theirs, "the earlier version")
    world.keys("f")
    world.same_pixels(mine, "what is in the editor")
    pick(world, "Of which version", second)
    until("the newest is there", lambda: world.js("return document.getElementById('picture').dataset.other") == f"core_key 1004 matte @{second}")
    world.keys("d")
    most = """
        const c = document.getElementById('picture');
        const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
        let most = 0; for (let i = 0; i < d.length; i += 4) most = Math.max(most, d[i]);
        return most;"""
    until("it differs from the editor nowhere", lambda: world.js(most) == 0)
    pick(world, "Of which version", first)
    until("and the one before it does", lambda: world.js(most) > 8)
    # Two versions, neither of them what is in the editor.
    pick(world, "with this one", second)
    pick(world, "Compare this version", first)
    world.one(f'#version-pair button[aria-label^="wipe of core_key"]').click()
    world.shows("core_key", 1004, "matte")
    until("both are versions", lambda: world.picture_there() == f"core_key 1004 matte @{second}")
    share = lambda png: (lambda g: g["differ"] / g["pixels"])(world.pixels_differ(png))  # noqa: E731
    until("half of it is the one, half the other", lambda: 0 < share(theirs) < share(mine) + share(theirs))
    world.screen("versions-wipe")
    world.keys("q")
    until("alone again is what is in the editor", lambda: world.picture_there() == "core_key 1004 matte")


@test
def a_version_is_taken_back_as_text(world):
    """The file becomes the text that was handed in, byte for byte; undo brings the present one again; --set is told."""
    world.studio.stack.write_text(world.good_text + "# with a word at the end: \u00e4\U0001f41d\n")
    until("the page has it", lambda: "\U0001f41d" in world.js("return (async () => (await import('/model.js')).model.stack.text)()"))
    number = submit_from_page(world, "to come back to")
    handed_in = world.file()
    world.studio.selvage("submit", world.studio.stack, "--set", "core_key.levels.white=0.9", "--watch")
    world.studio.stack.write_text(world.good_text.replace("white { value: 0.86 }", "white { value: 0.93 }"))
    until("the page has it", lambda: "value: 0.93 }" in world.js("return (async () => (await import('/model.js')).model.stack.text)()"))
    present = world.file()
    world.one("#shot-part-versions").click()
    until("the newest is listed", lambda: world.all(f'.version-row[data-number="{number + 1}"]'))
    world.js("document.querySelector(`.version-row[data-number='${arguments[0]}']`).click()", number)
    until("it is chosen", lambda: f"take version {number} back" in world.text("#take-back"))
    world.one("#take-back").click()
    until("the file has the text that was handed in", lambda: world.file() == handed_in)
    assert f"take back version {number}" in world.one("#undo").get_attribute("title")
    world.ctrl("z")
    until("undo brings the present one", lambda: world.file() == present)
    world.js("document.querySelector(`.version-row[data-number='${arguments[0]}']`).click()", number + 1)
    until("it is chosen", lambda: f"take version {number + 1} back" in world.text("#take-back"))
    world.one("#take-back").click()
    until("what was set stands at the top", lambda: world.file() == "# submitted with --set core_key.levels.white=0.9\n" + handed_in)
    until("and is told", lambda: "--set stands at its top" in world.text("#said"))
    # Another program saves at the same moment: nothing of it is lost.
    world.ctrl("z")
    until("undo brings the present one", lambda: world.file() == present)
    world.js("document.querySelector(`.version-row[data-number='${arguments[0]}']`).click()", number)
    until("it is chosen", lambda: f"take version {number} back" in world.text("#take-back"))
    elsewhere = present.replace("value: 0.93 }", "value: 0.94 }")
    world.driver.execute_async_script("""
        const done = arguments[arguments.length - 1];
        (async () => {
          const kept = window.fetch;
          // The file is saved elsewhere between the question for the text and the edit.
          window.fetch = async (path, init) => {
            const answer = await kept(path, init);
            if (String(path).startsWith('/api/version?')) await new Promise((go) => { window.goOn = go; });
            return answer;
          };
          document.getElementById('take-back').click();
          done();
        })();""")
    until("the text was asked for", lambda: world.js("return typeof window.goOn === 'function'"))
    world.studio.stack.write_text(elsewhere)
    until("the page has it", lambda: "value: 0.94 }" in world.js("return (async () => (await import('/model.js')).model.stack.text)()"))
    world.js("window.goOn()")
    until("it is said", lambda: "changed elsewhere" in world.text("#said"))
    assert world.file() == elsewhere


@test
def many_versions_are_quick(world):
    """Of 500 submissions all are listed, and only those that are seen are asked what changed in them."""
    world.driver.execute_async_script("""
        const done = arguments[arguments.length - 1];
        window.asked = [];
        const kept = window.fetch;
        window.fetch = async (path, init) => {
          if (String(path).startsWith('/api/changes')) window.asked.push(String(path));
          if (!String(path).startsWith('/api/versions')) return kept(path, init);
          const real = await (await kept(path, init)).json();
          const versions = Array.from({length: 500}, (_, i) => ({...real.versions[0], number: 500 - i, note: `note ${500 - i}`}));
          return new Response(JSON.stringify({...real, versions}), {headers: {'Content-Type': 'application/json'}});
        };
        done();""")
    world.view("shot")
    world.one("#shot-part-versions").click()
    until("all are listed", lambda: len(world.all(".version-row")) == 500)
    until("those that are seen are asked for", lambda: world.js("return window.asked.length") > 3)
    time.sleep(1)
    asked = world.js("return window.asked.length")
    assert asked < 80, asked
    world.js("document.querySelector('.version-row').focus()")
    world.keys("\ue010", focus=None)
    until("the oldest is chosen and seen", lambda: world.one('.version-row[data-number="1"]').get_attribute("aria-selected") == "true")
    until("it lies in the list's view", lambda: world.js("""
        const a = document.querySelector('.version-row[data-number="1"]').getBoundingClientRect();
        const b = document.getElementById('version-list').getBoundingClientRect();
        return a.bottom <= b.bottom + 2 && a.top >= b.top - 2;"""))


@test
def a_pass_is_rendered_again_on_demand(world):
    """`render again` invalidates; the plan says so; a submission renders it."""
    world.choose("core")
    world.view("shot")
    until("all is held", lambda: "Nothing would be rendered" in world.text("#shot-job") or "Submit" in world.text("#shot-job") and world.js("document.querySelector('#submit').click()") is None and "Nothing would be rendered" in world.text("#shot-job"))
    world.js("[...document.querySelectorAll('#shot-job button')].find((b) => b.textContent === 'render again').click()")
    until("the plan has work", lambda: re.search(r"[1-9]\d* tasks would be rendered", world.text("#shot-job")))
    world.one("#submit").click()
    until("it is rendered", lambda: "Nothing would be rendered" in world.text("#shot-job"))


@test
def the_report_draws_curves(world):
    """Figures of every frame as curves; a click on one looks at that frame."""
    world.view("report")
    world.js("[...document.querySelectorAll('#view-report button')].find((b) => /Measure/.test(b.textContent)).click()")
    until("all is measured", lambda: world.all("#view-report .curve") and not world.text("#view-report .note"))
    wanted = json.loads(world.studio.selvage("--json", "report", "last").stdout)
    names = {one["pass"] for one in wanted["pass"]}
    assert {h.text for h in world.all(".report-pass h3")} == names
    first = wanted["pass"][0]
    holes = [one["figures"]["hole_pixels"] for one in first["frame"]]
    label = world.js("return document.querySelector('.report-pass .chart').getAttribute('aria-label')")
    assert str(max(holes)) in label, (label, holes)
    world.screen("report")
    curve = world.all(".chart")[0]
    world.js("arguments[0].scrollIntoView({block: 'center'})", curve)
    world.actions().move_to_element_with_offset(curve, int(curve.size["width"] / 2) - 12, 0).click().perform()
    world.shows(first["pass"], 1008)


@test
def the_farm_is_shown(world):
    """Jobs, workers and the cache, as the command line has them."""
    world.view("farm")
    jobs = json.loads(world.studio.selvage("--json", "jobs").stdout)["job"]
    until("the newest job is listed", lambda: jobs[0]["job_id"] in world.text("#view-farm"))
    cache = json.loads(world.studio.selvage("--json", "cache").stdout)
    until("the cache is told", lambda: f"{cache['results']} results" in world.text("#view-farm"))
    assert "at once" in world.text("#view-farm")
    world.screen("farm")


@test
def deliverables_are_fetched(world):
    """Fetch brings the files home; they are the command line's, byte for byte."""
    world.view("shot")
    world.one("#submit").click()
    until("the job is done", lambda: "Nothing would be rendered" in world.text("#shot-job") and "done" in world.text("#shot-job .state"))
    world.view("fetch")
    until("deliverables are listed", lambda: len(world.all("#view-fetch tbody tr")) == 3)
    world.js("[...document.querySelectorAll('#view-fetch button')].find((b) => b.textContent === 'Fetch all').click()")
    until("all is whole", lambda: world.text("#view-fetch").count("whole, 8 frames") == 3)
    world.screen("fetch")
    mine = sorted((world.studio.folder / "out/matte").glob("*.exr"))
    assert len(mine) == 8, mine
    world.studio.selvage("fetch", "--to", world.studio.folder / "other")
    theirs = sorted((world.studio.folder / "other").rglob("matte/*.exr")) or sorted((world.studio.folder / "other").rglob("apiary_010.*.exr"))
    same = {path.name + str(path.stat().st_size): path.read_bytes() for path in theirs}
    for path in mine:
        assert any(path.read_bytes() == other for other in same.values()), path


@test
def a_loom_without_a_stack_shows_the_farm(world):
    """`selvage loom` alone: jobs and workers, no picture."""
    address = world.studio.loom()
    world.driver.get(address)
    until("the farm is shown", lambda: world.one("#view-farm").is_displayed() and "Workers" in world.text("#view-farm"))
    assert not world.one("#stage").is_displayed()
    world.screen("farm-alone")


@test
def what_cannot_begin_a_stack_is_told(world):
    """A plate that is not there, a plate without a screen, a stack that is there already: told in words, nothing written."""
    world.driver.get(world.studio.loom())
    until("a stack can be made", lambda: world.one("#new-plate").is_displayed())
    folder = world.studio.folder
    before = sorted(folder.iterdir())

    def make(plate, stack, words):
        for field, text in (("#new-plate", plate), ("#new-stack", stack)):
            world.one(field).clear()
            world.one(field).send_keys(str(text))
        world.one("#new-stack").send_keys("\ue007")
        until(f"it is told: {words}", lambda: words in world.text("#begin-words") and world.one("#begin button").is_enabled())
        assert "--" not in world.text("#begin-words"), world.text("#begin-words")
    make(folder / "shot/nothing.%04d.exr", folder / "other.stack", "no such files are seen from here")
    make(folder / "shot/alpha.%04d.exr", folder / "other.stack", "no screen was found")
    make(folder / "shot/plate.%04d.exr", folder / "apiary_010.stack", "is there already")
    assert world.file() == world.good_text and sorted(folder.iterdir()) == before
    world.one("#open-stack").send_keys(str(folder / "missing.stack"), "\ue007")
    until("it is told", lambda: "there is no such stack file" in world.text("#begin-words"))
    # One that is there is opened, and another loom's page is not.
    world.one("#open-stack").clear()
    world.one("#open-stack").send_keys(str(world.studio.stack), "\ue007")
    until("the stack is open", lambda: world.all(".pass-row") and world.picture_there())
    answer = world.driver.execute_async_script("""
        const done = arguments[arguments.length - 1];
        fetch('/api/open', {method: 'POST', headers: {'Content-Type': 'application/json'}, body: JSON.stringify({path: arguments[0]})})
          .then(async (r) => done([r.status, (await r.json()).error[0].message]));""", str(world.studio.stack))
    assert answer[0] == 423 and "is open on" in answer[1], answer


@test
def the_whole_job_of_a_shot_on_the_page(world):
    """From a plate to files on disk with the page alone: new, key, draw, submit, report, fetch."""
    shot = world.studio.folder / "shot"
    outline = [(480 * x, 270 * y) for x, y in whole_shot.DRAWN_BODY]
    stack, rows = whole_shot.whole_shot(world, str(shot / "plate.%04d.exr"), str(shot / "meadow.%04d.exr"), outline, "whole" if world.screens else "")
    text = pathlib.Path(stack).read_text()
    assert 'solid: "inside_body"' in text and len(re.search(r'name: "inside_body".*?path: "([^"]*)"', text, re.S).group(1).split("L")) == len(outline), text
    for part in ("comp", "element"):
        files = sorted((pathlib.Path(stack).parent / "out" / part).glob("plate.*.exr"))
        assert len(files) == 8 and all(path.stat().st_size > 1000 for path in files), files
    assert all(actions > 0 for _, actions, _ in rows), rows
    world.studio.selvage("check", stack)


@test
def a_submitted_job_is_read_only(world):
    """`selvage loom --job ID`: a supervisor looks, and nothing can be changed."""
    job = next(one["job_id"] for one in json.loads(world.studio.selvage("--json", "jobs").stdout)["job"] if one["stack_name"] == "apiary_010")
    address = world.studio.loom("--job", job)
    world.driver.get(address)
    until("it is told", lambda: "looked at only" in world.text("#stack-state"))
    until("a picture is there", world.picture_there)
    world.choose("core_key")
    path = world.path_of("core_key", "levels", "white")
    assert not world.field(path).is_enabled()
    assert not world.one("#submit").is_enabled()
    # Nor can it by anybody who asks the loom behind the page's back.
    jobs = world.studio.selvage("--json", "jobs").stdout
    for call, body in (("submit", {}), ("invalidate", {"pass": "core"})):
        answer = world.driver.execute_async_script("""
            const [call, body, done] = arguments;
            fetch(`/api/${call}`, {method: 'POST', headers: {'Content-Type': 'application/json'}, body: JSON.stringify(body)})
              .then(async (r) => done([r.status, (await r.json()).error?.[0]?.message ?? '']));""", call, body)
        assert answer[0] == 423 and "only shows a job" in answer[1], (call, answer)
    assert [one["job_id"] for one in json.loads(world.studio.selvage("--json", "jobs").stdout)["job"]] == [one["job_id"] for one in json.loads(jobs)["job"]]


@test
def large_stacks_are_workable(world):
    """4,096 passes and a shape of 10,000 points: listed, drawn, changed; a frame of the page does not take seconds."""
    import math
    points = " L ".join(f"{240 + (100 + 5 * (i % 7)) * math.cos(i * 2 * math.pi / 10000):.2f} {135 + (90 + 5 * (i % 7)) * math.sin(i * 2 * math.pi / 10000):.2f}" for i in range(10000))
    large = world.studio.folder / "large.stack"
    large.write_text('name: "large"\nframes { first: 1001 last: 1008 }\nformat { width: 480 height: 270 }\nplate { name: "plate" files: "shot/plate.%04d.exr" }\n'
                     + f'mask {{ name: "fringe" shape {{ path: "M {points} Z" }} }}\n'
                     + "".join(f'pass {{ name: "p{i:04}" from: "plate" step {{ grade {{ stops {{ value: 0.{i % 10} }} }} }} }}\n' for i in range(4096)))
    world.driver.get(world.studio.loom(large))
    until("all are listed", lambda: len(world.all(".pass-row")) == 4098, 120)
    world.choose("p2000")
    path = world.path_of("p2000", "grade", "stops")
    world.type(path, "0.375")
    until("the file has it", lambda: 'name: "p2000" from: "plate" step { grade { stops { value: 0.375 } } }' in large.read_text())
    world.choose("fringe")
    world.view("draw")
    until("its outline is drawn", lambda: "shape 1" in world.text("#view-draw") and "one drawing" in world.text("#view-draw"))
    before = large.read_text()
    world.keys("n")
    until("a point is chosen", lambda: "Point 1 of" in world.text("#said"))
    world.keys("\ue014")
    until("it is moved", lambda: large.read_text() != before)
    changed = large.read_text()
    assert "p4095" in changed and changed.count("\n") == before.count("\n")
    world.view("text")
    until("the text is there", lambda: "p0001" in world.js("return document.querySelector('#view-text textarea').value"))


@test
def a_stack_of_200_mib_is_refused_in_words(world):
    """The file grows beyond any stack while the page is open: said in words, what is drawn stays; small again, all is well."""
    shown = world.picture_there()
    with open(world.studio.stack, "r+b") as file:
        file.truncate(200 << 20)
    until("it is told", lambda: "200 MiB is too large for a stack" in world.text("#alert"))
    assert len(world.all(".pass-row")) > 40 and world.picture_there() == shown
    world.view("text")
    assert "name: \"apiary_010\"" in world.js("return document.querySelector('#view-text textarea').value")
    world.studio.stack.write_text(world.good_text)
    until("and is content again", lambda: not world.one("#alert").is_displayed())


@test
def the_longest_stack_is_edited_at_once(world):
    """A text of 14 MB, mostly outlines: an edit reads little of it, and the page is never busy for long."""
    import math
    large = world.studio.folder / "longest.stack"

    def outline(k):
        return " L ".join(f"{240 + k + 90 * math.cos(i * 2 * math.pi / 300):.2f} {135 + 80 * math.sin(i * 2 * math.pi / 300):.2f}" for i in range(300))
    text = ('name: "longest"\nframes { first: 1001 last: 1008 }\nformat { width: 480 height: 270 }\nplate { name: "plate" files: "shot/plate.%04d.exr" }\n'
            + "".join(f'mask {{ name: "m{k:03}" shape {{ ' + "".join(f'at {{ frame: {1001 + f} path: "M {outline(k)} Z" }}\n' for f in range(8)) + "} }\n" for k in range(400))
            + "".join(f'pass {{ name: "p{i:04}" from: "plate" step {{ grade {{ stops {{ value: 0.{i % 10} }} }} }} }}\n' for i in range(1000)))
    assert 13 << 20 < len(text) < 15 << 20, len(text)
    large.write_text(text)
    world.driver.get(world.studio.loom(large))
    until("all are listed", lambda: len(world.all(".pass-row")) == 1401, 120)
    world.choose("p0500")
    world.js("""
        window.read = 0;
        const kept = window.fetch;
        window.fetch = async (path, init) => {
          const answer = await kept(path, init);
          if (/api\\/(edit|stack)/.test(String(path))) window.read += (await answer.clone().text()).length;
          return answer;
        };""")
    world.type(world.path_of("p0500", "grade", "stops"), "0.375")
    until("the file has it", lambda: 'name: "p0500" from: "plate" step { grade { stops { value: 0.375 } } }' in large.read_text())
    until("the page has it", lambda: world.js("return document.getElementById('stack-state').textContent") == "written")
    # One answer, in which outlines are named and not spelled out.
    read = world.js("return window.read")
    assert 0 < read < len(text) // 4, read
    assert large.read_text().replace("0.375", "0.0") == text, "something else was changed"
    world.view("text")
    until("it is told that an editor is the tool", lambda: "too much to be typed in here" in world.text("#text-notice"))
    # A point of one of the outlines is moved; all others stay.
    world.view("passes")
    world.choose("m200")
    world.view("draw")
    until("its outline is drawn", lambda: "shape 1" in world.text("#view-draw"))
    before = large.read_text()
    world.keys("n")
    until("a point is chosen", lambda: "Point 1 of" in world.text("#said"))
    world.keys("\ue014")
    until("it is moved", lambda: large.read_text() != before)
    one_change(before, large.read_text())


@test
def pixels_beyond_the_format_lie_where_they_belong(world):
    """Plates whose data window is larger or smaller than the display window, of which the stack says no format."""
    folder = world.studio.folder / "windows"
    folder.mkdir(exist_ok=True)
    # A white square at 100..140, 60..100 of the display window; the larger one has red beyond it.
    for name, make in (("larger", ["--create", "560x330", "3", "--fill:color=0.5,0,0", "560x330+0+0", "--fill:color=0.02,0.2,0.02", "480x270+40+30",
                                   "--fill:color=1,1,1", "40x40+140+90", "--origin", "-40-30", "--fullsize", "480x270+0+0"]),
                       ("smaller", ["--create", "200x120", "3", "--fill:color=0.02,0.2,0.02", "200x120+0+0", "--fill:color=1,1,1", "40x40+40+20",
                                    "--origin", "+60+40", "--fullsize", "480x270+0+0"])):
        subprocess.run(["oiiotool", *make, "-d", "half", "-o", folder / f"{name}.1001.exr"], check=True)
    stack = world.studio.folder / "windows.stack"
    stack.write_text('name: "windows"\nframes { first: 1001 last: 1001 }\nplate { name: "larger" files: "windows/larger.%04d.exr" }\nplate { name: "smaller" files: "windows/smaller.%04d.exr" }\n'
                     'mask { name: "square" shape { path: "M 100 60 L 140 60 L 140 100 L 100 100 Z" } }\n'
                     'pass { name: "graded" from: "larger" step { grade { stops { value: 0 } } } }\n')
    world.driver.get(world.studio.loom(stack))
    until("all are listed", lambda: len(world.all(".pass-row")) == 4)

    def code(x, y):
        return world.js("return import('/picture.js').then(({codeAt}) => codeAt({x: arguments[0] + 0.5, y: arguments[1] + 0.5})?.codes ?? null)", x, y)

    def light(x, y):
        return min(code(x, y)) > 250
    for name, beyond in (("larger", True), ("graded", True), ("smaller", False)):
        world.choose(name)
        until("the format is known", lambda: world.js("return import('/picture.js').then(({size}) => size().width)") == 480)
        until("it is drawn", world.picture_there)
        # To the pixel: the corners of the square, and what is just outside of them.
        assert light(100, 60) and light(139, 99) and not light(99, 60) and not light(100, 59) and not light(140, 99) and not light(139, 100), name
        assert code(20, 20)[1] > 50 if beyond else max(code(20, 20)) == 0, (name, code(20, 20))
        out = code(-20, -10)
        assert (out is not None and out[0] > 100 and out[1] == 0) if beyond else out is None, (name, out)
    # What is drawn on the screen is what is read: the mask's outline passes round the square.
    world.choose("larger")
    on_screen = world.js("""
        return import('/picture.js').then(({toScreen}) => {
          const c = document.getElementById('picture').getContext('2d');
          return [[102, 62], [138, 98], [98, 58], [142, 102]].map(([x, y]) => { const p = toScreen({x: x + 0.5, y: y + 0.5}); return c.getImageData(Math.round(p.x * devicePixelRatio), Math.round(p.y * devicePixelRatio), 1, 1).data[0]; });
        });""")
    assert on_screen[0] > 250 and on_screen[1] > 250 and on_screen[2] < 100 and on_screen[3] < 100, on_screen
    world.screen("data-window")


@test
def a_plate_of_8k(world):
    """7680x4320: seen as a whole, from nearby pixel for pixel, drawn on; no picture of all its pixels is ever asked for."""
    large = world.studio.folder / "eight.stack"
    plates = world.studio.folder / "eight"
    plates.mkdir(exist_ok=True)
    subprocess.run(["oiiotool", "--pattern", "fill:topleft=0.05,0.3,0.06:topright=0.1,0.2,0.06:bottomleft=0.02,0.4,0.1:bottomright=0.6,0.3,0.2", "7680x4320", "3",
                    "-d", "half", "--compression", "zip", "-o", plates / "plate.1001.exr"], check=True)
    large.write_text('name: "eight"\nframes { first: 1001 last: 1001 }\nformat { width: 7680 height: 4320 }\nplate { name: "plate" files: "eight/plate.%04d.exr" }\n'
                     'pass { name: "graded" from: "plate" step { grade { stops { value: 0.5 } } } }\n')
    world.driver.get(world.studio.loom(large))
    world.driver.execute_script("""
        window.decoded = [];
        const kept = window.createImageBitmap;
        window.createImageBitmap = async (...all) => {
          const bitmap = await kept(...all);
          window.decoded.push([bitmap.width, bitmap.height]);
          return bitmap;
        };""")
    until("all are listed", lambda: len(world.all(".pass-row")) == 2)
    world.one('.pass-row[data-name="graded"]').click()
    until("it is drawn", lambda: world.picture_there().startswith("graded "), 240)
    world.keys("Z")
    at = world.js("return import('/picture.js').then(({toPicture}) => toPicture({x: 0, y: 0}))")
    x, y = int(at["x"]) + 100, int(at["y"]) + 100
    until("the part on the screen is there", lambda: world.js("return import('/picture.js').then(({codeAt}) => codeAt({x: arguments[0] + 0.5, y: arguments[1] + 0.5})?.shrunk === false)", x, y), 240)
    # Pixel for pixel what the command line shows of that place.
    out = world.studio.folder / "eight.png"
    world.studio.selvage("look", large, "graded", "--frame", 1001, "--crop", f"{x},{y},64,64", "-o", out)
    differ = world.driver.execute_async_script("""
        const [data, x, y, done] = arguments;
        const image = new Image();
        image.onload = async () => {
          const {toScreen} = await import('/picture.js');
          const at = toScreen({x, y});
          const copy = document.createElement('canvas');
          copy.width = copy.height = 64;
          const context = copy.getContext('2d');
          context.drawImage(image, 0, 0);
          const wanted = context.getImageData(0, 0, 64, 64).data;
          const seen = document.getElementById('picture').getContext('2d').getImageData(at.x, at.y, 64, 64).data;
          let differ = 0;
          for (let i = 0; i < wanted.length; ++i) if (wanted[i] !== seen[i]) ++differ;
          done(image.width === 64 ? differ : -1);
        };
        image.src = 'data:image/png;base64,' + data;""", base64.b64encode(out.read_bytes()).decode(), x, y)
    assert differ == 0, differ
    # Moved on by a drag: the part that is now on the screen comes.
    world.actions().move_to_element(world.one("#stage")).click_and_hold().move_by_offset(-300, -200).move_by_offset(-100, 0).release().perform()
    at = world.js("return import('/picture.js').then(({toPicture}) => toPicture({x: document.getElementById('stage').clientWidth - 40, y: 40}))")
    until("that part is there", lambda: world.js("return import('/picture.js').then(({codeAt}) => codeAt({x: arguments[0], y: arguments[1]})?.shrunk === false)", at["x"], at["y"]), 240)
    # A mask is drawn there, in pixels of the plate.
    world.view("draw")
    world.js("[...document.querySelectorAll('#view-draw button')].find((b) => b.textContent === '+ mask').click()")
    world.type(until("a name is asked for", lambda: world.one("#ask[open] input")), "far")
    until("the pen is out", lambda: "Drawing far" in world.text("#tool-words"))
    stage = world.one("#stage")
    middle = world.js("return import('/picture.js').then(({toPicture}) => { const s = document.getElementById('stage'); return toPicture({x: s.clientWidth / 2, y: s.clientHeight / 2}); })")
    for dx, dy in ((-60, -60), (60, -60), (0, 60)):
        world.actions().move_to_element_with_offset(stage, dx, dy).click().perform()
    world.keys("\ue007")
    until("it is in the file", lambda: 'name: "far"' in large.read_text())
    numbers = list(map(float, re.findall(r"-?[\d.]+", re.search(r'name: "far".*?path: "([^"]*)"', large.read_text(), re.S).group(1))))
    assert abs(numbers[0] - middle["x"] + 60) < 3 and abs(numbers[1] - middle["y"] + 60) < 3, (numbers, middle)
    world.keys("z")
    decoded = world.js("return window.decoded")
    assert decoded and max(w * h for w, h in decoded) <= 4096 * 4096 // 2, decoded
    held = world.js("return import('/looks.js').then(({heldBytes}) => heldBytes())")
    assert held <= 384 << 20, held
    world.screen("eight-k")


# ---- for everybody -------------------------------------------------------------------


@test
def every_control_has_a_name(world):
    """Each button, field and canvas says what it is to a screen reader, in every view."""
    for view in ("passes", "draw", "shot", "report", "farm", "fetch", "text"):
        world.view(view)
        time.sleep(0.2)
        nameless = world.js("""
            return [...document.querySelectorAll('button, input, select, textarea, canvas:not([aria-hidden]), [role=slider], [role=listbox]')]
              .filter((e) => e.offsetParent !== null)
              .filter((e) => !(e.getAttribute('aria-label') || (e.tagName === 'BUTTON' && e.textContent.trim()) || e.closest('label')?.textContent.trim()))
              .map((e) => e.outerHTML.slice(0, 120));""")
        assert not nameless, (view, nameless)


@test
def colours_have_contrast(world):
    """All words are at least 4.5 to 1 on what they stand on (WCAG AA), in both themes."""
    poor = world.js("""
        const luminance = (hex) => {
          const v = [1, 3, 5].map((i) => parseInt(hex.slice(i, i + 2), 16) / 255).map((c) => c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4);
          return 0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2];
        };
        const poor = [];
        for (const theme of ['dark', 'light']) {
          document.documentElement.dataset.theme = theme;
          const of = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
          for (const on of ['--panel', '--panel-high', '--field']) {
            for (const text of ['--text', '--text-dim', '--held', '--busy', '--changed', '--failed', '--flag', '--mark']) {
              const [a, b] = [luminance(of(on)), luminance(of(text))].sort((x, y) => y - x);
              const ratio = (a + 0.05) / (b + 0.05);
              if (ratio < 4.5) poor.push(`${theme}: ${text} on ${on}: ${ratio.toFixed(2)}`);
            }
          }
          const [a, b] = [luminance(of('--mark')), luminance(of('--on-main'))].sort((x, y) => y - x);
          if ((a + 0.05) / (b + 0.05) < 4.5) poor.push(`${theme}: button`);
        }
        document.documentElement.dataset.theme = 'dark';
        return poor;""")
    assert not poor, poor


VIEWS = ("passes", "draw", "shot", "report", "farm", "fetch", "text")

# What a screen reader stumbles over, and words that are hard to read; of WCAG 2.1, each rule with its number there.
PAGE_FAULTS = r"""
    const found = [];
    const seen = (e) => e.offsetParent !== null && e.getClientRects().length > 0;
    const words = (e) => `${e.tagName.toLowerCase()}${e.id ? '#' + e.id : ''}${e.className && e.className.baseVal === undefined ? '.' + e.className : ''} "${(e.textContent || '').trim().slice(0, 30)}"`;
    const ids = [...document.querySelectorAll('[id]')].map((e) => e.id);
    ids.forEach((id, i) => { if (ids.indexOf(id) !== i) found.push(`4.1.1 id ${id} stands twice`); });
    for (const name of ['aria-labelledby', 'aria-controls', 'aria-describedby', 'for', 'list']) {
      for (const e of document.querySelectorAll(`[${name}]`)) {
        for (const id of e.getAttribute(name).split(/\s+/)) if (!document.getElementById(id)) found.push(`1.3.1 ${words(e)}: ${name} leads to no ${id}`);
      }
    }
    const within = {tab: 'tablist', option: 'listbox', radio: 'radiogroup', row: 'grid, [role=table], [role=rowgroup]'};
    for (const [role, parent] of Object.entries(within)) {
      for (const e of document.querySelectorAll(`[role=${role}]`)) if (!e.closest(`[role=${parent}]`)) found.push(`1.3.1 ${words(e)}: role ${role} outside of ${parent}`);
    }
    for (const e of document.querySelectorAll('[role=radiogroup]')) {
      if (seen(e) && e.querySelectorAll('[aria-checked=true]').length !== 1) found.push(`4.1.2 ${words(e)}: not one of its choices is chosen`);
    }
    for (const e of document.querySelectorAll('[tabindex]')) if (e.tabIndex > 0) found.push(`2.4.3 ${words(e)}: tabindex ${e.tabIndex}`);
    for (const e of document.querySelectorAll('[aria-hidden=true]')) {
      if ([e, ...e.querySelectorAll('*')].some((one) => one.tabIndex >= 0 && seen(one))) found.push(`4.1.2 ${words(e)} is hidden and takes the focus`);
    }
    for (const e of document.querySelectorAll('img:not([alt])')) found.push(`1.1.1 ${words(e)} has no alt`);
    for (const e of document.querySelectorAll('th:not([scope])')) if (e.textContent.trim() && !e.querySelector('.unseen')) found.push(`1.3.1 ${words(e)}: a head of a table without scope`);
    let level = 1;
    for (const e of document.querySelectorAll('h1, h2, h3, h4')) {
      if (!seen(e)) continue;
      const is = Number(e.tagName[1]);
      if (is > level + 1) found.push(`1.3.1 ${words(e)} comes after a heading of level ${level}`);
      level = is;
    }
    if (!document.documentElement.lang) found.push('3.1.1 no language');
    if (!document.title) found.push('2.4.2 no title');

    // 1.4.3: every word that is seen against what it stands on.
    const rgba = (text) => { const n = text.match(/[\d.]+/g).map(Number); return n.length < 4 ? [...n.slice(0, 3), 1] : n; };
    const over = (a, b) => [0, 1, 2].map((i) => a[i] * a[3] + b[i] * (1 - a[3])).concat(1);
    const light = (c) => { const v = c.slice(0, 3).map((x) => x / 255).map((x) => x <= 0.04045 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4); return 0.2126 * v[0] + 0.7152 * v[1] + 0.0722 * v[2]; };
    const ground = (e) => {
      const all = [];
      for (let one = e; one; one = one.parentElement) all.push(rgba(getComputedStyle(one).backgroundColor));
      return all.reduceRight((below, c) => over(c, below), [255, 255, 255, 1]);
    };
    const faded = (e) => { let o = 1; for (let one = e; one; one = one.parentElement) o *= Number(getComputedStyle(one).opacity); return o; };
    const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    for (let node = walker.nextNode(); node; node = walker.nextNode()) {
      const e = node.parentElement;
      if (!node.textContent.trim() || !seen(e) || e.closest(':disabled, .unseen, noscript, option, svg, [hidden]') || getComputedStyle(e).visibility === 'hidden') continue;
      const below = ground(e);
      const color = rgba(getComputedStyle(e).color);
      const [a, b] = [light(over([...color.slice(0, 3), color[3] * faded(e)], below)), light(below)].sort((x, y) => y - x);
      const ratio = (a + 0.05) / (b + 0.05);
      const size = parseFloat(getComputedStyle(e).fontSize);
      const large = size >= 24 || (size >= 18.66 && Number(getComputedStyle(e).fontWeight) >= 700);
      if (ratio < (large ? 3 : 4.5)) found.push(`1.4.3 ${words(e)}: ${ratio.toFixed(2)} to 1`);
    }
    return [...new Set(found)];"""


@test
def every_view_is_accessible(world):
    """Roles, names, relations and contrast of every view, in both themes; the browser's own tree names all that can be operated."""
    world.choose("core_key")
    faults = {}
    for theme in ("dark", "light"):
        for view in VIEWS:
            world.view(view)
            time.sleep(0.5)
            got = world.js(PAGE_FAULTS)
            tree = world.driver.execute_cdp_cmd("Accessibility.getFullAXTree", {})["nodes"]
            operated = {"button", "textbox", "combobox", "checkbox", "slider", "tab", "radio", "option", "listbox", "spinbutton", "splitter", "img", "image"}
            got += [f"4.1.2 {node['role']['value']} without a name" for node in tree
                    if not node.get("ignored") and node.get("role", {}).get("value") in operated and not node.get("name", {}).get("value", "").strip()]
            if got:
                faults[f"{view}, {theme}"] = got
        world.keys("t")
    assert not faults, json.dumps(faults, indent=1)


@test
def everything_is_reached_by_keyboard(world):
    """Tab goes through every control of every view and comes round; what has the focus is seen to have it; what can be clicked
    can be reached."""
    world.choose("core_key")
    for view in VIEWS:
        world.view(view)
        time.sleep(0.5)
        # What should be reached: all that is seen and not out of use. Of a group of choices, one.
        wanted = world.js("""
            window.number = 0;
            document.querySelectorAll('[data-stop]').forEach((e) => delete e.dataset.stop);
            return [...document.querySelectorAll('button, input, select, textarea, summary, a[href], [tabindex="0"]')]
              .filter((e) => e.offsetParent !== null && !e.disabled && e.tabIndex >= 0)
              .map((e) => { e.dataset.stop = ++window.number; return window.number; }).length;""")
        world.js("document.getElementById('tab-passes').parentElement.querySelector('[tabindex=\"0\"]').focus()")
        reached, unseen = {world.js("return document.activeElement.dataset.stop")}, []
        for _ in range(wanted + 40):
            world.keys("\ue004", focus=None)
            stop, outlined, words = world.js("""
                const e = document.activeElement;
                const s = getComputedStyle(e);
                return [e.dataset.stop ?? '', s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 1.5, e.outerHTML.slice(0, 90)];""")
            if stop and not outlined:
                unseen.append(words)
            if stop:
                reached.add(stop)
            if len(reached) == wanted:
                break
        missed = world.js("""
            const reached = new Set(arguments[0]);
            return [...document.querySelectorAll('[data-stop]')].filter((e) => e.offsetParent !== null && !reached.has(e.dataset.stop)).map((e) => e.outerHTML.slice(0, 110));""", list(reached))
        assert not missed, (view, missed)
        assert not unseen, (view, "focus is not seen", unseen)
        # What listens to clicks: a control, within one, or chosen by arrows in a list.
        for number in range(world.js("window.clicked = [...document.body.querySelectorAll('*')].filter((e) => e.offsetParent !== null && !e.closest('button, input, select, textarea, summary, a, label, [role=option], [tabindex]')); return window.clicked.length")):
            object_id = world.driver.execute_cdp_cmd("Runtime.evaluate", {"expression": f"window.clicked[{number}]"})["result"]["objectId"]
            listeners = world.driver.execute_cdp_cmd("DOMDebugger.getEventListeners", {"objectId": object_id})["listeners"]
            assert not [one for one in listeners if one["type"] in ("click", "pointerdown")], (view, world.js("return window.clicked[arguments[0]].outerHTML.slice(0, 150)", number))


@test
def still_for_those_who_want_it_still(world):
    """With reduced motion nothing moves by itself."""
    world.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [{"name": "prefers-reduced-motion", "value": "reduce"}]})
    try:
        for view in VIEWS:
            world.view(view)
            world.keys("\ue014")
            assert world.js("return document.getAnimations().length") == 0, view
    finally:
        world.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": []})


@test
def fits_small_and_large_screens(world):
    """At 1280x720 and at 3840x2160 nothing hangs over the edge, and the picture has most of the room."""
    for width, height in ((1280, 720), (3840, 2160)):
        world.driver.set_window_size(width, height)
        time.sleep(0.5)
        inner = world.js("return [innerWidth, innerHeight]")
        for view in ("passes", "draw", "shot", "report", "farm", "fetch", "text"):
            world.view(view)
            over = world.js("""
                return [...document.querySelectorAll('#top > *, #look > *, #panel, #tabs button, .tools button')]
                  .filter((e) => { const b = e.getBoundingClientRect(); return b.width > 0 && (b.right > innerWidth + 1 || b.bottom > innerHeight + 1 || b.left < -1); })
                  .map((e) => e.id || e.className || e.textContent);""")
            assert not over, (width, view, over)
        stage = world.one("#stage").size
        assert stage["width"] * stage["height"] > 0.35 * inner[0] * inner[1], (stage, inner)
        world.view("passes")
        world.screen(f"passes-{width}")


@test
def screens_of_every_view(world):
    """A picture of every view at three sizes of the window and in both themes, to be looked at."""
    if not world.screens:
        return
    for width, height in ((1280, 800), (1920, 1080), (2560, 1440)):
        world.driver.set_window_size(width, height)
        world.view("passes")
        world.choose("foreground")
        for view in ("passes", "draw", "shot", "report", "farm", "fetch", "text"):
            world.view(view)
            time.sleep(1)
            world.screen(f"{view}-{width}")
        world.view("shot")
        world.one("#shot-part-versions").click()
        time.sleep(1)
        world.screen(f"versions-{width}")
        world.one("#shot-part-frames").click()
        world.keys("p")
        time.sleep(0.5)
        world.screen(f"picture-{width}")
        world.keys("p")
        world.keys("?")
        time.sleep(0.3)
        world.screen(f"keys-{width}")
        world.keys("\ue00c", focus=None)
        world.keys("t")
        world.view("passes")
        time.sleep(1)
        world.screen(f"light-{width}")
        world.keys("t")
