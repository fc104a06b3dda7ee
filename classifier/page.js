"use strict";
// The choice of light is made before the page is drawn: a white flash would spoil eyes used to the
// dark. It is remembered by the browser; where that is refused, by the address (#red, #dark, ...),
// which also works as a link of its own.
{
  const root = document.documentElement, known = ["auto", "light", "dark", "red"];
  const asked = () => known.find((name) => location.hash === `#${name}`);
  const stored = () => { try { return localStorage.getItem("nightcull-light"); } catch { return null; } };
  const show = (name) => {
    root.dataset.light = known.includes(name) ? name : "auto";
    const button = document.querySelector(`.light input[value=${root.dataset.light}]`);
    if (button) button.checked = true;
  };
  const remember = (name) => {
    try { localStorage.setItem("nightcull-light", name); }
    catch { history.replaceState(null, "", `#${name}`); }
  };
  show(asked() ?? stored());
  addEventListener("hashchange", () => { if (asked()) show(asked()); });
  addEventListener("DOMContentLoaded", () => {
    const choice = document.querySelector(".light");
    choice.hidden = false;
    show(root.dataset.light);
    choice.addEventListener("change", (event) => { show(event.target.value); remember(event.target.value); });
  });
}
