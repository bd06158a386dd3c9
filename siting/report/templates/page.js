(function () {
  "use strict";
  var facts = {}, holder = document.getElementById("facts");
  if (holder) { JSON.parse(holder.textContent).forEach(function (one) { facts[one.id] = one; }); }
  var panel = document.getElementById("chosen"), hover = document.getElementById("hover"), chosen = null;

  function line(parent, text, strong) {
    var p = document.createElement("p"), inner = document.createElement(strong ? "strong" : "bdi");
    inner.textContent = text;
    p.appendChild(inner);
    parent.appendChild(p);
  }

  function tell(id) {
    if (!panel) { return; }
    panel.textContent = "";
    var one = facts[id];
    if (id === null) { line(panel, "No site is chosen."); return; }
    if (!one) { line(panel, id, true); return; }
    line(panel, one.name, true);
    one.lines.forEach(function (text) { line(panel, text); });
  }

  function choose(id) {
    chosen = id;
    document.body.classList.toggle("has-chosen", id !== null);
    document.querySelectorAll("[data-site]").forEach(function (node) {
      var mine = id !== null && node.getAttribute("data-site") === id;
      if (node.matches("button.pick")) { node.setAttribute("aria-pressed", String(mine)); } else { node.classList.toggle("chosen-one", mine); }
    });
    tell(id);
  }

  document.addEventListener("click", function (event) {
    var node = event.target.closest("[data-site]");
    if (node) {
      var id = node.getAttribute("data-site");
      choose(id === chosen ? null : id);
    }
  });

  document.addEventListener("keydown", function (event) {
    if (event.key === "Escape") { hover && (hover.hidden = true); choose(null); }
  });

  function tipOf(target) {
    var node = target.closest && target.closest("[data-tip]");
    if (node) { return node.getAttribute("data-tip"); }
    var group = target.closest && target.closest("svg g, svg path, svg text");
    while (group && group.nodeName !== "svg") {
      var title = Array.prototype.find.call(group.children, function (child) { return child.nodeName === "title"; });
      if (title) { return title.textContent; }
      group = group.parentNode;
    }
    return null;
  }

  if (hover) {
    document.addEventListener("pointermove", function (event) {
      var text = event.target instanceof Element ? tipOf(event.target) : null;
      hover.hidden = !text;
      if (!text) { return; }
      hover.textContent = text;
      var left = Math.min(event.pageX + 14, window.scrollX + document.documentElement.clientWidth - hover.offsetWidth - 6);
      hover.style.left = Math.max(0, left) + "px";
      hover.style.top = event.pageY + 16 + "px";
    });
    // A title of the browser's own would cover ours.
    document.querySelectorAll(".map svg g > title, .map svg path > title, .map svg text > title").forEach(function (title) {
      var parent = title.parentNode;
      if (!parent.hasAttribute("data-tip")) { parent.setAttribute("data-tip", title.textContent); }
      title.remove();
    });
  }

  function orderOf(row, index) {
    var cell = row.cells[index], told = cell.getAttribute("data-order");
    return told === null ? cell.textContent.trim().toLowerCase() : told === "" || isNaN(Number(told)) ? null : Number(told);
  }

  document.querySelectorAll("table.sortable").forEach(function (table) {
    table.querySelectorAll("thead th").forEach(function (head, index) {
      head.querySelector("button").addEventListener("click", function () {
        var down = head.getAttribute("aria-sort") === "ascending";
        table.querySelectorAll("thead th").forEach(function (other) { other.removeAttribute("aria-sort"); });
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
        var body = table.tBodies[0];
        var rows = Array.prototype.slice.call(body.rows).map(function (row) { return [orderOf(row, index), row]; });
        rows.sort(function (a, b) {
          if (a[0] === b[0]) { return 0; }
          if (a[0] === null) { return 1; }
          if (b[0] === null) { return -1; }
          return (a[0] < b[0] ? -1 : 1) * (down ? -1 : 1);
        });
        rows.forEach(function (pair) { body.appendChild(pair[1]); });
      });
    });
  });

  var switches = document.querySelectorAll("input[name=layout]");
  function show() {
    var on = document.querySelector("input[name=layout]:checked");
    if (!on) { return; }
    document.querySelectorAll("[data-layout]").forEach(function (node) { node.hidden = node.getAttribute("data-layout") !== on.value; });
    if (chosen !== null) { choose(chosen); }
  }
  switches.forEach(function (one) { one.addEventListener("change", show); });
  show();

  var closed = [];
  window.addEventListener("beforeprint", function () {
    closed = Array.prototype.filter.call(document.querySelectorAll("details"), function (one) { return !one.open; });
    closed.forEach(function (one) { one.open = true; });
  });
  window.addEventListener("afterprint", function () { closed.forEach(function (one) { one.open = false; }); });
  if (panel) { tell(null); }
}());
