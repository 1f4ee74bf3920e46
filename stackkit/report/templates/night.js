"use strict";
// The page says everything without this script as well; it makes one picture of the two.
(() => {
  const STEP = 1.5;
  const PAN = 0.12;
  const TAP_PX = 5;
  const GRIP_PX = 24;
  const PIXELS_SHOW = 2;

  const by = (id) => document.getElementById(id);
  const stage = by("stage");
  if (stage) viewer();
  filter();

  function viewer() {
    const wipe = by("wipe");
    const image = stage.querySelector("img");
    const view = { zoom: 1, x: 0, y: 0, cut: wipe ? 50 : 0 };

    // Scale at which a pixel of the picture is one of the page.
    const natural = () => Math.max(1, image.naturalWidth / (stage.clientWidth || 1));
    const most = () => 6 * natural();

    function draw() {
      const { clientWidth: wide, clientHeight: high } = stage;
      view.zoom = Math.min(most(), Math.max(1, view.zoom));
      view.x = Math.min(0, Math.max(wide * (1 - view.zoom), view.x));
      view.y = Math.min(0, Math.max(high * (1 - view.zoom), view.y));
      view.cut = Math.min(100, Math.max(0, view.cut));
      const set = (name, value) => stage.style.setProperty(name, value);
      set("--zoom", view.zoom);
      set("--x", `${view.x}px`);
      set("--y", `${view.y}px`);
      set("--cut", `${view.cut}%`);
      const moved = view.zoom > 1.001;
      stage.classList.toggle("moved", moved);
      stage.classList.toggle("large", view.zoom > PIXELS_SHOW * natural());
      by("far").disabled = by("whole").disabled = !moved;
      by("near").disabled = view.zoom >= most() - 0.001;
      by("scale").textContent = moved ? `${view.zoom.toFixed(1)} times as large` : "";
      if (wipe) {
        wipe.value = String(view.cut);
        const cut = Math.round(view.cut);
        wipe.setAttribute("aria-valuetext", `${cut} % one frame, ${100 - cut} % all together`);
      }
    }

    // Goes closer so that what is at (x, y) of the stage stays where it is.
    function zoomTo(zoom, x = stage.clientWidth / 2, y = stage.clientHeight / 2) {
      const before = view.zoom;
      view.zoom = Math.min(most(), Math.max(1, zoom));
      view.x = x - ((x - view.x) * view.zoom) / before;
      view.y = y - ((y - view.y) * view.zoom) / before;
      draw();
    }

    function pan(dx, dy) {
      view.x += dx;
      view.y += dy;
      draw();
    }

    function wipeTo(cut) {
      if (!wipe) return;
      view.cut = cut;
      draw();
    }

    const at = (event) => {
      const frame = stage.getBoundingClientRect();
      return { x: event.clientX - frame.left, y: event.clientY - frame.top };
    };

    const pressed = new Map();
    let wiping = false;
    let travelled = 0;

    function onPress(event) {
      if (event.button !== 0) return;
      stage.setPointerCapture(event.pointerId);
      const place = at(event);
      pressed.set(event.pointerId, place);
      if (pressed.size > 1) return;
      travelled = 0;
      const beside = Math.abs(place.x - (view.cut / 100) * stage.clientWidth);
      wiping = Boolean(wipe) && (view.zoom <= 1.001 || beside < GRIP_PX);
    }

    function onMove(event) {
      const before = pressed.get(event.pointerId);
      if (!before) return;
      const now = at(event);
      const other = [...pressed].find(([id]) => id !== event.pointerId)?.[1];
      travelled += Math.hypot(now.x - before.x, now.y - before.y);
      pressed.set(event.pointerId, now);
      if (other) {
        const apart = (place) => Math.max(1, Math.hypot(place.x - other.x, place.y - other.y));
        pan((now.x - before.x) / 2, (now.y - before.y) / 2);
        zoomTo((view.zoom * apart(now)) / apart(before), (now.x + other.x) / 2, (now.y + other.y) / 2);
      } else if (wiping) {
        if (travelled > TAP_PX) wipeTo((100 * now.x) / stage.clientWidth);
      } else {
        pan(now.x - before.x, now.y - before.y);
      }
    }

    function onRelease(event) {
      pressed.delete(event.pointerId);
      if (pressed.size === 1) wiping = false; // the finger that is left moves the picture on
    }

    function onWheel(event) {
      if (!event.ctrlKey && document.activeElement !== stage) return; // the page scrolls
      event.preventDefault();
      const place = at(event);
      zoomTo(view.zoom * Math.exp(-Math.sign(event.deltaY) * 0.2), place.x, place.y);
    }

    function onKey(event) {
      if (event.ctrlKey || event.altKey || event.metaKey) return;
      const x = PAN * stage.clientWidth, y = PAN * stage.clientHeight;
      const keys = {
        "+": () => zoomTo(view.zoom * STEP),
        "=": () => zoomTo(view.zoom * STEP),
        "-": () => zoomTo(view.zoom / STEP),
        "−": () => zoomTo(view.zoom / STEP),
        0: () => zoomTo(1),
        arrowleft: () => pan(x, 0),
        arrowright: () => pan(-x, 0),
        arrowup: () => pan(0, y),
        arrowdown: () => pan(0, -y),
        a: () => wipeTo(view.cut - 5),
        d: () => wipeTo(view.cut + 5),
      };
      const act = keys[event.key.toLowerCase()];
      // Where there is nothing to move about in, the arrows scroll the page as ever.
      if (!act || (event.key.startsWith("Arrow") && view.zoom <= 1.001)) return;
      event.preventDefault();
      act();
    }

    function begin() {
      stage.style.setProperty("--shape", String(image.naturalWidth / image.naturalHeight));
      by("tools").style.setProperty("--shape", String(image.naturalWidth / image.naturalHeight));
      stage.classList.add("live");
      stage.classList.toggle("single", !wipe);
      stage.tabIndex = 0;
      stage.setAttribute("role", "group");
      stage.setAttribute("aria-label", "The picture: zoom and pan");
      stage.setAttribute("aria-describedby", "help");
      by("tools").hidden = by("help").hidden = false;
      stage.addEventListener("pointerdown", onPress);
      stage.addEventListener("pointermove", onMove);
      stage.addEventListener("pointerup", onRelease);
      stage.addEventListener("pointercancel", onRelease);
      stage.addEventListener("wheel", onWheel, { passive: false });
      stage.addEventListener("dblclick", (event) => {
        const place = at(event);
        zoomTo(view.zoom * STEP * STEP, place.x, place.y);
      });
      stage.addEventListener("keydown", onKey);
      wipe?.addEventListener("input", () => wipeTo(Number(wipe.value)));
      by("near").addEventListener("click", () => zoomTo(view.zoom * STEP));
      by("far").addEventListener("click", () => zoomTo(view.zoom / STEP));
      by("full").addEventListener("click", () => zoomTo(natural()));
      by("whole").addEventListener("click", () => zoomTo(1));
      addEventListener("resize", draw);
      draw();
    }

    if (image.complete && image.naturalWidth) begin();
    else image.addEventListener("load", begin, { once: true });
  }

  function filter() {
    const field = by("filter");
    const radios = [...field.querySelectorAll("input")];
    if (radios.length < 2) return;
    field.hidden = false;
    radios[0].checked = true; // what a browser remembers of a former visit would not agree
    const frames = [...document.querySelectorAll("[data-fate]")];
    for (const radio of radios) {
      radio.addEventListener("change", () => {
        for (const frame of frames) {
          frame.hidden = radio.value !== "" && frame.dataset.fate !== radio.value;
        }
      });
    }
  }
})();
