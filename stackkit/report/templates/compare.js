"use strict";
// The viewer takes its pictures from the plain list, so that the page works without it as well.
(() => {
  const STEP = 2;
  const BIG_STEP = 10;
  const CALM_MS = 1500;
  const DRAG_PX = 6;

  const by = (id) => document.getElementById(id);
  const list = by("list");
  if (!list) return;
  const places = [...list.querySelectorAll("[data-place]")].map((section) => ({
    title: section.querySelector("h3").textContent,
    note: section.querySelector(".note")?.textContent ?? "",
    width: Number(section.dataset.width),
    height: Number(section.dataset.height),
    pictures: new Map(
      [...section.querySelectorAll("figure")]
        .filter((figure) => figure.querySelector("img"))
        .map((figure) => [Number(figure.dataset.method), figure.querySelector("img")]),
    ),
  }));
  if (!places.some((place) => place.pictures.size > 1)) return;

  const viewer = by("viewer"), stage = by("stage"), divider = by("divider");
  const picture = stage.parentElement;
  const radios = [...viewer.querySelectorAll("input[name=place]")];
  const sides = { left: by("left"), right: by("right") };
  const images = { left: by("over"), right: by("under") };
  const labels = { left: by("left-name"), right: by("right-name") };
  const names = [...sides.left.options].map((option) => option.dataset.name);
  const auto = by("auto");
  const calm = matchMedia("(prefers-reduced-motion: reduce)");

  // whole: the side of which the whole picture is shown while blinking; null while wiping.
  const state = { place: 0, cut: 50, whole: null };
  let timer = 0;

  const methodOf = (side) => Number(sides[side].value);
  const pictureOf = (side) => places[state.place].pictures.get(methodOf(side));

  function drawDivider() {
    const { cut, whole } = state;
    const edge = whole === "left" ? 100 : whole === "right" ? 0 : cut;
    stage.style.setProperty("--cut", `${edge}%`);
    stage.style.setProperty("--knob", `${cut}%`);
    stage.classList.toggle("whole", whole !== null);
    for (const side of ["left", "right"]) {
      labels[side].classList.toggle("shown", whole === side);
      labels[side].classList.toggle("away", whole !== null && whole !== side);
    }
    divider.setAttribute("aria-valuenow", String(Math.round(cut)));
    if (timer) return; // a reader of the screen would be told without end
    const left = names[methodOf("left")], right = names[methodOf("right")];
    divider.setAttribute("aria-valuetext", whole
      ? `the whole picture of ${whole === "left" ? left : right}`
      : `${Math.round(cut)} % ${left}, ${Math.round(100 - cut)} % ${right}`);
  }

  function drawPictures() {
    const place = places[state.place];
    const absent = [];
    for (const side of ["left", "right"]) {
      const source = pictureOf(side);
      const name = names[methodOf(side)];
      labels[side].textContent = name;
      images[side].hidden = !source;
      if (source) {
        images[side].src = source.src;
        images[side].alt = source.alt;
      } else {
        images[side].removeAttribute("src");
        absent.push(name);
      }
      for (const option of sides[side].options) {
        option.disabled = !place.pictures.has(Number(option.value));
      }
    }
    by("absent").hidden = absent.length === 0;
    by("absent").textContent = absent.length
      ? `No picture of this place by ${[...new Set(absent)].join(" and ")}.` : "";
    by("note").textContent = place.note ? `${place.title}. ${place.note}` : place.title;
    radios[state.place].checked = true;
    fit();
    drawDivider();
  }

  // Whole multiples keep all pixels of a crop alike in size; below two they would waste the room.
  function fit() {
    const { width, height } = places[state.place];
    const room = Math.min(picture.clientWidth / width, (0.66 * innerHeight) / height);
    const scale = room >= 2 ? Math.floor(room) : Math.min(2, picture.clientWidth / width);
    picture.style.setProperty("--wide", `${width * scale}px`);
    stage.style.setProperty("--shape", `${width} / ${height}`);
    by("size").textContent =
      `${width} × ${height} px of the frame, drawn ${Number(scale.toFixed(2))} times as large`;
  }

  function moveTo(cut) {
    stopAuto();
    state.whole = null;
    state.cut = Math.min(100, Math.max(0, cut));
    drawDivider();
  }

  function blink() {
    state.whole = state.whole === "left" ? "right" : "left";
    drawDivider();
  }

  function blinkByHand() {
    blink();
    by("told").textContent = names[methodOf(state.whole)];
  }

  function stopAuto() {
    clearInterval(timer);
    timer = 0;
    auto.checked = false;
  }

  function startAuto() {
    clearInterval(timer);
    timer = setInterval(() => document.hidden || blink(), CALM_MS);
    blink();
  }

  function askCalm() {
    auto.disabled = calm.matches;
    by("calm").hidden = !calm.matches;
    if (calm.matches) stopAuto();
  }

  function goToPlace(step) {
    state.place = (state.place + step + places.length) % places.length;
    drawPictures();
    by("told").textContent = places[state.place].title;
  }

  function goToMethod(side, step) {
    const other = methodOf(side === "left" ? "right" : "left");
    const there = names.map((_, index) => index).filter(
      (index) => index !== other && places[state.place].pictures.has(index));
    if (there.length === 0) return;
    const at = there.indexOf(methodOf(side));
    const next = at < 0 ? 0 : (at + step + there.length) % there.length;
    sides[side].value = String(there[next]);
    drawPictures();
    by("told").textContent = `${side}: ${names[there[next]]}`;
  }

  function onKey(event) {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const target = event.target;
    if (event.key === "Escape" && (timer || state.whole)) {
      stopAuto();
      state.whole = null;
      drawDivider();
      return;
    }
    if (target.closest("select, input")) return;
    const back = event.shiftKey ? -1 : 1;
    const step = event.shiftKey ? BIG_STEP : STEP;
    const keys = {
      arrowleft: () => moveTo(state.cut - step),
      arrowright: () => moveTo(state.cut + step),
      p: () => goToPlace(back),
      l: () => goToMethod("left", back),
      r: () => goToMethod("right", back),
    };
    if (target === divider) {
      Object.assign(keys, {
        " ": blinkByHand,
        home: () => moveTo(0),
        end: () => moveTo(100),
        pageup: () => moveTo(state.cut + BIG_STEP),
        pagedown: () => moveTo(state.cut - BIG_STEP),
      });
    }
    const act = keys[event.key.toLowerCase()];
    if (!act) return;
    event.preventDefault();
    act();
  }

  // A press that does not move is a tap and blinks; one that moves carries the divider along.
  let press = null;

  function onPress(event) {
    if (!event.isPrimary || event.button !== 0) return;
    event.preventDefault();
    divider.focus({ preventScroll: true });
    stage.setPointerCapture(event.pointerId);
    press = { from: event.clientX, moved: false };
  }

  function onMove(event) {
    if (!press || !event.isPrimary) return;
    if (!press.moved && Math.abs(event.clientX - press.from) < DRAG_PX) return;
    press.moved = true;
    const frame = stage.getBoundingClientRect();
    moveTo((100 * (event.clientX - frame.left)) / frame.width);
  }

  function onRelease(event) {
    if (press && !press.moved && event.type === "pointerup") {
      stopAuto();
      blinkByHand();
    }
    press = null;
  }

  stage.addEventListener("pointerdown", onPress);
  stage.addEventListener("pointermove", onMove);
  stage.addEventListener("pointerup", onRelease);
  stage.addEventListener("pointercancel", onRelease);
  viewer.addEventListener("keydown", onKey);
  radios.forEach((radio, index) => radio.addEventListener("change", () => {
    state.place = index;
    drawPictures();
  }));
  for (const select of Object.values(sides)) select.addEventListener("change", drawPictures);
  by("blink").addEventListener("click", () => {
    stopAuto();
    blinkByHand();
  });
  auto.addEventListener("change", () => {
    if (auto.checked) {
      startAuto();
    } else {
      stopAuto();
      drawDivider();
    }
  });
  calm.addEventListener("change", askCalm);
  addEventListener("resize", fit);

  function firstPair() {
    state.place = places.findIndex((place) => place.pictures.size > 1);
    const here = [...places[state.place].pictures.keys()];
    const left = here[0];
    const mean = names.indexOf("mean");
    const right = mean !== left && here.includes(mean) ? mean : here[1];
    sides.left.value = String(left);
    sides.right.value = String(right);
  }

  // What a browser remembers of a former visit would not agree with what is drawn.
  auto.checked = false;
  viewer.hidden = false;
  list.open = false;
  firstPair();
  askCalm();
  drawPictures();
})();
