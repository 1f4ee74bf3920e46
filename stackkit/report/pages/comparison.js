"use strict";
(() => {
  const by = (id) => document.getElementById(id);
  const viewer = by("viewer");
  if (!viewer) return;
  const [place, left, right, wipe, stage, under, over, divider, note, said, auto] =
    ["place", "left", "right", "wipe", "stage", "under", "over", "divider", "note", "said", "auto"].map(by);
  const crop = (method) => [...document.querySelectorAll("img[data-place]")]
    .find((i) => i.dataset.place === place.value && i.dataset.method === method);
  let timer = 0, began = null;
  const show = () => {
    const a = crop(left.value), b = crop(right.value);
    if (!a || !b) return;
    over.src = a.src; under.src = b.src;
    over.alt = a.alt; under.alt = b.alt;
    const cut = Number(wipe.value);
    over.style.clipPath = `inset(0 ${100 - cut}% 0 0)`;
    divider.style.left = `${cut}%`;
    divider.hidden = cut === 0 || cut === 100;
    by("left-name").textContent = left.value;
    by("right-name").textContent = right.value;
    by("left-name").style.visibility = cut > 15 ? "visible" : "hidden";
    by("right-name").style.visibility = cut < 85 ? "visible" : "hidden";
    wipe.setAttribute("aria-valuetext", `${Math.round(cut)} % ${left.value}`);
    note.textContent = a.closest("details").querySelector("p").textContent;
  };
  // Blinking shows one picture whole, then the other.
  const blink = (loud) => {
    wipe.value = wipe.value === "100" ? 0 : 100;
    show();
    if (loud) said.textContent = wipe.value === "100" ? left.value : right.value;
  };
  const turn = (choice, by_) => {
    choice.selectedIndex = (choice.selectedIndex + by_ + choice.length) % choice.length;
    show();
    said.textContent = choice.value;
  };
  const stop = () => { clearInterval(timer); timer = 0; auto.setAttribute("aria-pressed", "false"); };
  for (const choice of [place, left, right]) choice.addEventListener("change", show);
  wipe.addEventListener("input", () => { stop(); show(); });
  by("blink").addEventListener("click", () => { stop(); blink(true); });
  auto.addEventListener("click", () => {
    if (timer) return stop();
    const calm = matchMedia("(prefers-reduced-motion: reduce)").matches ? 3000 : 1200;
    timer = setInterval(() => blink(false), calm);
    auto.setAttribute("aria-pressed", "true");
  });
  const follow = (event) => {
    const box = stage.getBoundingClientRect();
    wipe.value = Math.min(Math.max(100 * (event.clientX - box.left) / box.width, 0), 100);
    show();
  };
  stage.addEventListener("pointerdown", (event) => { began = { x: event.clientX, moved: false }; stage.setPointerCapture(event.pointerId); });
  stage.addEventListener("pointermove", (event) => {
    if (!began) return;
    if (Math.abs(event.clientX - began.x) > 4) began.moved = true;
    if (began.moved) { stop(); follow(event); }
  });
  stage.addEventListener("pointerup", () => { if (began && !began.moved) { stop(); blink(true); } began = null; });
  stage.addEventListener("pointercancel", () => { began = null; });
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (["SELECT", "BUTTON", "SUMMARY"].includes(event.target.tagName)) return;
    const step = event.shiftKey ? 20 : 4;
    if (event.key === " ") { stop(); blink(true); }
    else if (event.key === "ArrowLeft" && event.target !== wipe) { stop(); wipe.value = Number(wipe.value) - step; show(); }
    else if (event.key === "ArrowRight" && event.target !== wipe) { stop(); wipe.value = Number(wipe.value) + step; show(); }
    else if (event.key === "l" || event.key === "L") turn(left, 1);
    else if (event.key === "r" || event.key === "R") turn(right, 1);
    else if (event.key >= "1" && event.key <= String(Math.min(place.length, 9))) { place.selectedIndex = Number(event.key) - 1; show(); said.textContent = place.options[place.selectedIndex].text; }
    else return;
    event.preventDefault();
  });
  viewer.hidden = false;
  show();
})();
