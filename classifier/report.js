"use strict";
// A link to a folded explanation opens it.
function unfold() {
  const target = document.getElementById(decodeURIComponent(location.hash.slice(1)));
  if (target && target.tagName === "DETAILS") { target.open = true; target.scrollIntoView(); }
}
addEventListener("hashchange", unfold);
unfold();

// Goes to a sub: the address changes without filling the history, and the keyboard comes along.
function go(id) {
  const target = document.getElementById(id);
  if (!target) return;
  location.replace(`#${id}`);
  target.focus({ preventScroll: true });
  target.scrollIntoView({ block: "start" });
}

// n and p step through the subs in the order of the page, m hides the marks, t goes to the top.
const subs = [...document.querySelectorAll("article.sub")];
function current() {
  const held = document.activeElement?.closest("article.sub");
  if (held) return subs.indexOf(held);
  const seen = subs.findIndex((sub) => sub.getBoundingClientRect().bottom > 40);
  return seen < 0 ? subs.length : seen - 0.5;
}
addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey) return;
  if (event.target.closest("input, select, textarea")) return;
  if (event.key === "n" || event.key === "p") {
    const next = event.key === "n" ? Math.floor(current()) + 1 : Math.ceil(current()) - 1;
    if (subs[next]) go(subs[next].id);
  } else if (event.key === "m") {
    document.body.classList.toggle("unmarked");
  } else if (event.key === "t") {
    scrollTo(0, 0);
    document.querySelector("h1").focus();
  }
});
document.addEventListener("click", (event) => {
  const link = event.target.closest("a[data-turn]");
  if (!link) return;
  event.preventDefault();
  const next = subs.indexOf(link.closest("article.sub")) + Number(link.dataset.turn);
  if (subs[next]) go(subs[next].id);
});

// Time lines: one slider for a run reads out its subs; a click anywhere on a plot takes the nearest.
for (const course of document.querySelectorAll(".course")) {
  const data = JSON.parse(course.querySelector("script").textContent);
  const readout = course.querySelector(".readout");
  const cursors = [...course.querySelectorAll(".cursor")];
  const told = (i) => [
    `${data.names[i]}: ${data.verdicts[i]}`,
    ...data.lines.map((line) => `${line.title} ${line.told[i] ?? "unknown"} ${line.unit}`.trim()),
  ].join(" · ");
  const place = (i) => {
    readout.setAttribute("aria-valuenow", i + 1);
    readout.setAttribute("aria-valuetext", told(i));
    readout.textContent = `${told(i)} · Enter or click: to the sub`;
    for (const cursor of cursors) { cursor.hidden = false; cursor.style.left = `${data.x[i]}%`; }
  };
  const at = () => Number(readout.getAttribute("aria-valuenow")) - 1;
  const nearest = (event, plot) => {
    const box = plot.getBoundingClientRect(), x = 100 * (event.clientX - box.left) / box.width;
    return data.x.reduce((best, each, i) => Math.abs(each - x) < Math.abs(data.x[best] - x) ? i : best, 0);
  };
  readout.hidden = false;
  readout.addEventListener("keydown", (event) => {
    const last = data.names.length - 1, i = at();
    const to = { ArrowRight: i + 1, ArrowUp: i + 1, ArrowLeft: i - 1, ArrowDown: i - 1, Home: 0, End: last,
      PageUp: i + 10, PageDown: i - 10 }[event.key];
    if (event.key === "Enter" && i >= 0) go(data.to[i]);
    else if (to !== undefined) place(Math.min(last, Math.max(0, to)));
    else return;
    event.preventDefault();
  });
  readout.addEventListener("click", () => { if (at() >= 0) go(data.to[at()]); });
  for (const plot of course.querySelectorAll(".plot")) {
    plot.addEventListener("pointermove", (event) => place(nearest(event, plot)));
    plot.addEventListener("click", (event) => {
      event.preventDefault();
      go(data.to[nearest(event, plot)]);
    });
  }
}

// Click a heading to sort by it, again to turn the order.
for (const button of document.querySelectorAll("#all th button")) {
  button.addEventListener("click", () => {
    const head = button.parentElement, body = document.querySelector("#all tbody");
    const column = [...head.parentElement.children].indexOf(head);
    const down = head.getAttribute("aria-sort") === "ascending";
    for (const other of head.parentElement.children) other.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    const value = (row) => row.children[column].dataset.sort ?? row.children[column].textContent;
    const order = (a, b) => {
      const x = value(a), y = value(b), numeric = x !== "" && y !== "" && !isNaN(x) && !isNaN(y);
      return numeric ? x - y : x.localeCompare(y);
    };
    const rows = [...body.rows].sort(order);
    if (down) rows.reverse();
    body.append(...rows);
  });
}

// On paper nothing can be unfolded: what the night says of itself is printed open.
const folded = [...document.querySelectorAll("details.printed:not([open])")];
addEventListener("beforeprint", () => { for (const each of folded) each.open = true; });
addEventListener("afterprint", () => { for (const each of folded) each.open = false; });
