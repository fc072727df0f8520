
"use strict";
(() => {
  const tip = document.getElementById("tip");
  const told = document.getElementById("told");
  let lit = [];
  let pointed = null;  // gives the points under the mouse, wherever they have been scrolled to
  const hide = () => {
    for (const mark of lit) mark.classList.remove("lit");
    lit = [];
    tip.hidden = true;
  };
  // Where points lie on one another all of them are named, the first one told alone by the keys.
  const show = (marks) => {
    hide();
    lit = marks;
    for (const mark of lit) mark.classList.add("lit");
    tip.textContent = marks.map((mark) => mark.getAttribute("aria-label")).join("\n");
    tip.hidden = false;
    const box = marks[0].getBoundingClientRect();
    const width = document.documentElement.clientWidth;
    const left = Math.min(Math.max(4, box.left + box.width / 2 - tip.offsetWidth / 2), width - tip.offsetWidth - 4);
    const above = box.top - tip.offsetHeight - 6;
    tip.style.left = `${left}px`;
    tip.style.top = `${above < 4 ? box.bottom + 6 : above}px`;
  };
  const REACH = 18, TOGETHER = 3, MOST = 4;
  for (const group of document.querySelectorAll(".marks")) {
    const picture = group.closest("svg");
    const marks = [...group.querySelectorAll(".mark")];
    const places = marks.map((mark) => {
      const circle = mark.querySelector("circle");
      return new DOMPoint(circle.cx.baseVal.value, circle.cy.baseVal.value);
    });
    picture.classList.add("live");
    // The nearest ones: circles that overlap would give the last one drawn.
    const near = (event) => {
      const matrix = picture.getScreenCTM();
      const found = marks.map((mark, place) => {
        const at = places[place].matrixTransform(matrix);
        return { mark, far: Math.hypot(at.x - event.clientX, at.y - event.clientY) };
      }).filter((one) => one.far < REACH).sort((one, other) => one.far - other.far);
      return found.filter((one) => one.far <= found[0].far + TOGETHER).slice(0, MOST).map((one) => one.mark);
    };
    const go = (place) => {
      const mark = marks[Math.min(Math.max(place, 0), marks.length - 1)];
      for (const other of marks) other.setAttribute("tabindex", other === mark ? "0" : "-1");
      mark.focus();
    };
    picture.addEventListener("pointermove", (event) => {
      const found = near(event);
      pointed = () => near(event);
      if (found.length) show(found);
      else if (!marks.includes(document.activeElement)) hide();
    });
    picture.addEventListener("pointerleave", (event) => {
      pointed = null;
      if (event.pointerType === "mouse") hide();
    });
    picture.addEventListener("click", (event) => {
      const found = near(event);
      if (!found.length) { hide(); return; }
      go(marks.indexOf(found[0]));
      show(found);
    });
    marks.forEach((mark, place) => {
      for (const title of mark.querySelectorAll("title")) title.remove();
      mark.addEventListener("focus", () => show([mark]));
      mark.addEventListener("blur", hide);
      mark.addEventListener("keydown", (event) => {
        const step = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 }[event.key];
        if (step) go(place + step);
        else if (event.key === "Home") go(0);
        else if (event.key === "End") go(marks.length - 1);
        else if (event.key === "Escape") hide();
        else return;
        event.preventDefault();
      });
    });
  }
  // A point that has the focus keeps its name beside it while it is brought into view.
  window.addEventListener("scroll", () => {
    if (tip.hidden) return;
    const under = pointed ? pointed() : [];
    if (document.activeElement.classList.contains("mark")) show(lit);
    else if (under.length) show(under);
    else hide();
  }, { passive: true, capture: true });
  const select = (table) => {
    const range = document.createRange();
    range.selectNode(table);
    const chosen = window.getSelection();
    chosen.removeAllRanges();
    chosen.addRange(range);
  };
  // What a spreadsheet would take for a formula gets the mark that makes it a text.
  const plain = (cell) => {
    const text = cell.textContent.replace(/\s+/g, " ").trim();
    return cell.classList.contains("text") && /^[=+\-@＝＋－＠']/.test(text) ? `'${text}` : text;
  };
  for (const button of document.querySelectorAll("button[data-copy]")) {
    button.hidden = false;
    button.addEventListener("click", async () => {
      const table = document.getElementById(button.dataset.copy);
      const text = [...table.rows].map((row) => [...row.cells].map(plain).join("\t")).join("\n");
      try {
        await navigator.clipboard.writeText(text);
        told.textContent = "Copied.";
      } catch {
        select(table);
        told.textContent = document.execCommand("copy") ? "Copied." : "Selected; copy it with the keys of your system.";
      }
      const first = button.firstChild;
      first.textContent = told.textContent;
      window.setTimeout(() => { first.textContent = "Copy the table"; told.textContent = ""; }, 3000);
    });
  }
})();
