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
})();
