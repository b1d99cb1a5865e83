"use strict";
(() => {
  const all = (what) => Array.from(document.querySelectorAll(what));
  const tools = document.getElementById("tools");
  tools.hidden = false;

  const boxes = all("[data-switch]");
  const shown = document.getElementById("shown");
  const apply = () => {
    const off = new Set(boxes.filter((b) => !b.checked).map((b) => b.dataset.switch));
    for (const part of all("[data-i]")) part.toggleAttribute("data-off", off.has(part.dataset.i));
    if (shown) {
      const count = [String(boxes.length - off.size), String(boxes.length)];
      shown.textContent = off.size === 0 ? "" : shown.dataset.text.replace(/\{([01])\}/g, (_, n) => count[Number(n)]);
    }
  };
  for (const box of boxes) box.addEventListener("change", apply);
  for (const button of all("[data-all]")) {
    button.addEventListener("click", () => {
      for (const box of boxes) box.checked = button.dataset.all === "1";
      apply();
    });
  }
  apply();

  for (const list of all("[data-unit]")) {
    const choose = () => {
      for (const figure of all(`[data-u^="${list.dataset.unit}"]`)) figure.hidden = figure.dataset.u !== list.value;
    };
    list.addEventListener("change", choose);
    choose();
  }

  // The browser shows a title after a while; here it is read at once.
  const said = new WeakMap();
  const readout = document.getElementById("readout");
  let lit = null;
  const show = (mark) => {
    if (lit) lit.classList.remove("lit");
    lit = mark;
    readout.hidden = !mark;
    if (!mark) return;
    mark.classList.add("lit");
    readout.textContent = said.get(mark);
    const box = mark.getBoundingClientRect();
    const wide = readout.offsetWidth;
    const left = Math.min(Math.max(box.left + box.width / 2 - wide / 2, 4), document.documentElement.clientWidth - wide - 4);
    const above = box.top - readout.offsetHeight - 8;
    readout.style.left = `${Math.max(left, 4)}px`;
    readout.style.top = `${above > 4 ? above : box.bottom + 8}px`;
  };
  for (const picture of all("figure svg")) {
    const marks = Array.from(picture.querySelectorAll("g > title"), (title) => {
      const mark = title.parentNode;
      said.set(mark, title.textContent);
      title.remove();
      return mark;
    });
    if (marks.length === 0) continue;
    const find = (event) => {
      for (let part = event.target; part && part !== picture; part = part.parentNode) {
        if (said.has(part)) return part;
      }
      return null;
    };
    picture.addEventListener("pointermove", (event) => {
      const mark = find(event);
      if (mark !== lit) show(mark);
    });
    picture.addEventListener("pointerleave", () => show(null));
    const frame = picture.closest("[tabindex]");
    frame.addEventListener("keydown", (event) => {
      const step = { ArrowRight: 1, ArrowLeft: -1 }[event.key];
      if (event.key === "Escape") show(null);
      if (!step) return;
      event.preventDefault();
      const seen = marks.filter((mark) => !mark.closest("[data-off]"));
      if (seen.length === 0) return;
      const at = seen.indexOf(lit);
      const next = at < 0 ? (step > 0 ? 0 : seen.length - 1) : (at + step + seen.length) % seen.length;
      seen[next].scrollIntoView({ block: "nearest", inline: "nearest" });
      show(seen[next]);
    });
    frame.addEventListener("blur", () => show(null));
  }
  window.addEventListener("scroll", () => show(lit), { passive: true, capture: true });
})();
