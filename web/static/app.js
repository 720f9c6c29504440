// What the pages do beyond plain HTML. Everything works without it, except the
// live search and the live evaluation, which save a page load.
(function () {
  "use strict";

  // "/" goes to the search, unless something is being typed.
  document.addEventListener("keydown", function (e) {
    if (e.key !== "/" || e.ctrlKey || e.metaKey || e.altKey) return;
    var t = e.target;
    if (t.isContentEditable || /^(INPUT|TEXTAREA|SELECT)$/.test(t.tagName)) return;
    var find = document.getElementById("find");
    if (find) { e.preventDefault(); find.focus(); find.select(); }
  });

  // A second tap on a button must not send the form twice.
  document.addEventListener("submit", function (e) {
    var form = e.target;
    if (e.defaultPrevented || form.method !== "post") return;
    if (form.dataset.sent) { e.preventDefault(); return; }
    form.dataset.sent = "1";
    setTimeout(function () { delete form.dataset.sent; }, 8000);
  });
  window.addEventListener("pageshow", function () {
    document.querySelectorAll("form[data-sent]").forEach(function (f) { delete f.dataset.sent; });
  });

  document.addEventListener("click", function (e) {
    var b = e.target.closest("[data-print],[data-confirm]");
    if (!b) return;
    if (b.hasAttribute("data-print")) window.print();
    else if (!window.confirm(b.dataset.confirm)) e.preventDefault();
  });

  // Narrow a long list while typing; the first match is chosen.
  document.querySelectorAll("[data-narrow]").forEach(function (box) {
    var list = document.getElementById(box.dataset.narrow);
    if (!list) return;
    var all = Array.prototype.slice.call(list.options);
    box.addEventListener("input", function () {
      var words = box.value.toLowerCase().split(/\s+/);
      var hits = all.filter(function (o) {
        var t = (o.text + " " + o.value).toLowerCase();
        return words.every(function (w) { return t.indexOf(w) >= 0; });
      });
      list.replaceChildren.apply(list, hits);
      if (hits.length) list.selectedIndex = 0;
    });
  });

  // After a mistake the summary is where to read on.
  var m = document.querySelector(".mistakes");
  if (m) { m.scrollIntoView({ block: "center" }); m.focus({ preventScroll: true }); }

  // A link into a folded part opens it.
  function unfold() {
    var id = decodeURIComponent(location.hash.slice(1));
    var el = id && document.getElementById(id);
    for (; el; el = el.parentElement) if (el.tagName === "DETAILS") el.open = true;
  }
  window.addEventListener("hashchange", unfold);
  unfold();

  // Fields of the bench: everything below only fills plain fields.
  document.documentElement.classList.add("script");

  function tell(field) { field.dispatchEvent(new Event("input", { bubbles: true })); }

  // A pasted column fills the fields of its list, from the one it was pasted into.
  // A leading column of running numbers, as meters write it, is left out; so is a
  // heading. Where the point is decimal, a comma separates.
  function column(text) {
    var lines = text.split(/[\r\n]+/).map(function (l) { return l.trim(); }).filter(Boolean);
    var rows = lines.map(function (l) { return l.split(/\s*[\t;]\s*/); });
    var body = rows.filter(function (r) { return /\d/.test(r[r.length - 1]); });
    var counted = body.length > 2 && body.every(function (r, i) { return r.length > 1 && Number(r[0]) === Number(body[0][0]) + i; });
    var out = [];
    (body.length > 1 ? body : rows).forEach(function (r) {
      (counted ? r.slice(1) : r).forEach(function (c) {
        var words = c.split(/,?\s+/).filter(Boolean);
        if (words.length === 2 && !/\d/.test(words[1])) words = [c];
        words.forEach(function (w) {
          var apart = w.indexOf(".") >= 0 || w.split(",").length > 2;
          (apart ? w.split(",") : [w]).forEach(function (v) { if (v) out.push(v); });
        });
      });
    });
    return out;
  }
  function spread(list, first, text) {
    var fields = Array.prototype.slice.call(list.querySelectorAll("input"));
    var values = column(text), from = Math.max(0, fields.indexOf(first));
    if (values.length < 2) return false;
    values.slice(0, fields.length - from).forEach(function (v, i) { fields[from + i].value = v; });
    var said = list.querySelector(".told"), room = fields.length - from;
    if (said) said.textContent = values.length === room ? values.length + " values filled in." : values.length + " values pasted into " + room + " fields: check the count.";
    tell(fields[from]);
    return true;
  }
  document.addEventListener("paste", function (e) {
    var list = e.target.closest("[data-list]");
    var text = list && e.clipboardData ? e.clipboardData.getData("text") : "";
    if (!text) return;
    var box = e.target.hasAttribute("data-spread");
    if (spread(list, box ? null : e.target, text)) { e.preventDefault(); if (box) e.target.value = ""; }
  });
  document.addEventListener("change", function (e) {
    if (e.target.matches("[data-spread]") && spread(e.target.closest("[data-list]"), null, e.target.value)) e.target.value = "";
  });

  // Beside a column: the step from the field before, or the distance from the median.
  function reading(field) {
    var t = field.value.trim().replace(/\s*m?V$/, "").replace(/,/g, "."), unit = /mV$/.test(field.value.trim()) ? 1000 : 1;
    // Where the display wandered between two values, its middle is drawn.
    var wander = /^(\d+(?:\.\d+)?)\s*(?:-|–|\.{2,3}|…|to)\s*(\d+(?:\.\d+)?)$/.exec(t);
    if (wander) return (Number(wander[1]) + Number(wander[2])) / 2 / unit;
    return t === "" || isNaN(t) ? null : Number(t) / unit;
  }
  function median(list) {
    var s = list.slice().sort(function (a, b) { return a - b; }), h = s.length >> 1;
    return s.length % 2 ? s[h] : (s[h - 1] + s[h]) / 2;
  }
  function draw(list) {
    var fields = Array.prototype.slice.call(list.querySelectorAll(".taps input"));
    var v = fields.map(reading), steps = list.dataset.drawn === "step";
    var known = v.filter(function (x) { return x !== null; }), mid = known.length ? median(known) : 0;
    var d = v.map(function (x, i) {
      if (x === null || (steps && (i === 0 || v[i - 1] === null))) return null;
      return steps ? x - v[i - 1] : 1000 * (x - mid);
    });
    var sizes = d.filter(function (x) { return x !== null; }).map(Math.abs);
    var most = Math.max.apply(null, sizes.concat(steps ? 0.001 : 20)), usual = sizes.length ? median(sizes) : 0;
    fields.forEach(function (f, i) {
      var mark = f.parentNode.querySelector(".step"), bar = mark.querySelector("rect"), x = d[i];
      var w = x === null ? 0 : 50 * Math.abs(x) / most;
      bar.setAttribute("x", x < 0 ? -w : 0);
      bar.setAttribute("width", w);
      mark.querySelector("b").textContent = x === null ? "" : (x < 0 ? "−" : "+") + Math.abs(x).toFixed(steps ? 2 : 0) + (steps ? " V" : " mV");
      // The same 15 % as in the library's pattern of a sound harness; the result decides.
      mark.classList.toggle("odd", steps && x !== null && sizes.length > 2 && Math.abs(x - usual) > 0.15 * usual);
    });
  }
  document.addEventListener("input", function (e) {
    var list = e.target.closest("[data-drawn]");
    if (list) draw(list);
  });
  function drawAll() { document.querySelectorAll("[data-drawn]").forEach(draw); }
  document.addEventListener("htmx:afterSettle", drawAll);
  drawAll();

  // Another number of cell groups: the page's fields are drawn again to fit.
  document.addEventListener("change", function (e) {
    var board = e.target.form && e.target.form.querySelector("[data-regrow]");
    if (board && /^(r\.n|r\.series|board\.series_cells)$/.test(e.target.name)) window.htmx.trigger(board, "regrow");
  });

  // Hall states by lamps: set the three, then "next step" writes the state down.
  document.addEventListener("click", function (e) {
    var b = e.target.closest("[data-hall] button");
    if (!b) return;
    var box = b.closest("[data-hall]"), field = document.getElementById(box.dataset.hall);
    if (b.classList.contains("lamp")) { b.setAttribute("aria-pressed", b.getAttribute("aria-pressed") === "true" ? "false" : "true"); return; }
    var list = field.value.split(/[\s,;]+/).filter(Boolean);
    if (b.hasAttribute("data-hall-back")) list.pop();
    else {
      var n = 0;
      box.querySelectorAll(".lamp").forEach(function (l) { if (l.getAttribute("aria-pressed") === "true") n += Number(l.dataset.bit); });
      list.push(String(n));
    }
    field.value = list.join(" ");
    box.querySelector("[role=status]").textContent = list.length + (list.length === 1 ? " step, last " : " steps, last ") + (list[list.length - 1] || "none");
    tell(field);
  });

  // A clock for a reading of time; it counts on while the page is away.
  var tick = null;
  function clockKey(b) { return "clock " + location.pathname + location.search + " " + b.dataset.clock; }
  function passed(b) { return (Date.now() - Number(sessionStorage.getItem(clockKey(b)))) / 1000; }
  function showClock() {
    var running = 0;
    document.querySelectorAll("[data-clock]").forEach(function (b) {
      var on = sessionStorage.getItem(clockKey(b)) !== null, s = on ? Math.floor(passed(b)) : 0;
      if (on) running++;
      b.classList.toggle("primary", on);
      b.firstElementChild.textContent = on ? "Stop at " + Math.floor(s / 60) + ":" + ("0" + s % 60).slice(-2) : "Start the clock";
    });
    if (running && !tick) tick = setInterval(showClock, 500);
    if (!running && tick) { clearInterval(tick); tick = null; }
  }
  document.addEventListener("click", function (e) {
    var b = e.target.closest("[data-clock]");
    if (!b) return;
    if (sessionStorage.getItem(clockKey(b)) === null) sessionStorage.setItem(clockKey(b), String(Date.now()));
    else {
      var field = document.getElementById(b.dataset.clock), per = { s: 1, min: 60, h: 3600 }[b.dataset.unit];
      field.value = (passed(b) / per).toFixed(b.dataset.unit === "s" ? 1 : 3);
      sessionStorage.removeItem(clockKey(b));
      tell(field);
    }
    showClock();
  });
  document.addEventListener("htmx:afterSettle", showClock);
  showClock();
})();
