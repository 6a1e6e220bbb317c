/* Small comforts. Every page works without this file. */
(function () {
  "use strict";
  var root = document.documentElement;
  root.classList.add("js");

  function closest(node, selector) { return node && node.closest ? node.closest(selector) : null; }

  /* A form is sent once, however often it is tapped. */
  document.addEventListener("submit", function (event) {
    var form = event.target;
    if (form.method !== "post") { return; }
    if (form.dataset.sent) { event.preventDefault(); return; }
    form.dataset.sent = "1";
    /* Where the answer never comes, it may be sent again; the server makes one case of it. */
    setTimeout(function () { delete form.dataset.sent; }, 8000);
  });
  window.addEventListener("pageshow", function () {
    document.querySelectorAll("form[data-sent]").forEach(function (form) { delete form.dataset.sent; });
    /* A browser that goes back ticks its boxes again by itself. */
    document.querySelectorAll("[name=symptom]:checked").forEach(askWhen);
  });

  /* A ticked symptom asks when it shows. */
  var template = document.getElementById("when-template");
  function askWhen(box) {
    var tile = box.closest(".tile");
    if (!template || !box.checked || tile.querySelector(".when")) { return; }
    var part = template.content.cloneNode(true);
    part.querySelectorAll("[name]").forEach(function (field) { field.name += box.value; });
    part.querySelector("[role=group]").setAttribute("aria-label", "When: " + tile.textContent.trim());
    tile.appendChild(part);
  }
  function sayWhen(panel) {
    var said = Array.from(panel.querySelectorAll("input:checked"), function (box) {
      return box.parentNode.textContent.trim().toLowerCase();
    });
    panel.querySelector("summary").textContent = said.length ? "When: " + said.join(", ") : "When does it show?";
  }

  /* A long list gets a box in which a few letters find a term, by any of its workshop words. */
  function addFinder(pick) {
    var folds = Array.from(pick.querySelectorAll(":scope > details.fold"));
    if (!folds.length) { return; }
    var box = document.createElement("input");
    box.className = "finder";
    box.type = "search";
    box.enterKeyHint = "search";
    box.placeholder = "A few letters";
    box.setAttribute("aria-label", pick.dataset.find);
    box.addEventListener("input", function () {
      var words = box.value.toLowerCase().split(/\s+/).filter(Boolean);
      folds.forEach(function (fold) {
        var left = 0;
        fold.querySelectorAll("[data-words]").forEach(function (item) {
          var fits = words.every(function (word) { return item.dataset.words.indexOf(word) >= 0; });
          item.hidden = !fits;
          left += fits ? 1 : 0;
        });
        fold.hidden = !left;
        fold.open = words.length > 0;
      });
      /* What it finds stands below it: above the keyboard and the bar is the place for both. */
      if (words.length) { box.scrollIntoView({ block: "start", behavior: "instant" }); }
    });
    box.addEventListener("keydown", function (event) { if (event.key === "Enter") { event.preventDefault(); } });
    folds[0].insertAdjacentElement("beforebegin", box);
  }

  /* What was chosen out of a list goes to its top, where it stays in sight. */
  function take(field) {
    var item = closest(field, "details [data-words]");
    var pick = closest(item, ".pick");
    if (!pick || !(field.type === "checkbox" ? field.checked : field.value)) { return; }
    pick.querySelector(".taken").appendChild(item);
    item.classList.add("found");
    field.focus({ preventScroll: true });
    var finder = pick.querySelector(".finder");
    if (finder.value) {
      finder.value = "";
      finder.dispatchEvent(new Event("input"));
    }
  }

  /* The work of the chosen level is open; work of higher levels does not belong to it. */
  function openWork(field) {
    var above = false;
    field.form.querySelectorAll("details.work").forEach(function (group) {
      group.hidden = above && !group.querySelector("input:checked");
      if (group.dataset.level === field.value) { group.open = true; above = true; }
    });
    field.form.querySelectorAll(".source-of").forEach(function (part) { part.hidden = field.value !== "replacement"; });
  }

  /* Which codes were understood, while typing. */
  function sayCodes(area) {
    var line = document.getElementById("codes-read");
    if (!line) { return; }
    var codes = area.value.toUpperCase().match(/\b[PCBU][0-3O][0-9A-FO]{3}(-[0-9A-F]{2})?\b/g) || [];
    codes = codes.filter(function (code, i) { return codes.indexOf(code) === i; });
    line.hidden = !codes.length;
    line.textContent = codes.length ? "Read: " + codes.join(", ") : "";
  }

  /* A link to a field opens what it is folded into and puts the cursor there. */
  document.addEventListener("click", function (event) {
    var link = closest(event.target, "a[href^='#f-']");
    var field = link && document.getElementById(link.getAttribute("href").slice(1));
    if (!field) { return; }
    event.preventDefault();
    for (var fold = closest(field, "details"); fold; fold = closest(fold.parentNode, "details")) { fold.open = true; }
    field.focus({ preventScroll: true });
    field.scrollIntoView({ block: "center", behavior: "instant" });
  });

  function enhance(scope) {
    scope.querySelectorAll(".pick").forEach(addFinder);
    scope.querySelectorAll("#f-codes").forEach(sayCodes);
    document.querySelectorAll("[name='attempt.level']:checked").forEach(openWork);
  }

  /* What was typed or ticked while the new part was on its way stays. */
  function carryOver(old, fresh) {
    var fields = Array.from(fresh.querySelectorAll("[name]"));
    old.querySelectorAll("[name]").forEach(function (was) {
      var ticks = was.type === "checkbox" || was.type === "radio";
      var now = fields.find(function (field) {
        return field.name === was.name && (!ticks || field.value === was.value);
      });
      if (!now) { return; }
      if (ticks) { now.checked = was.checked; } else { now.value = was.value; }
    });
  }

  /* Another unit kind: its symptoms, checks and work, without leaving the page. */
  function renew(form) {
    var data = new FormData(form);
    data.set("do", "lists");
    fetch(form.action, { method: "POST", body: data, credentials: "same-origin" })
      .then(function (answer) { if (!answer.ok) { throw new Error(answer.status); } return answer.text(); })
      .then(function (text) {
        var page = new DOMParser().parseFromString(text, "text/html");
        document.querySelectorAll("[data-by-unit]").forEach(function (old) {
          var fresh = page.getElementById(old.id);
          if (!fresh) { return; }
          var at = document.activeElement;
          var place = old.contains(at) && at.id ? [at.id, at.selectionStart, at.selectionEnd] : null;
          carryOver(old, fresh);
          old.replaceWith(fresh);
          enhance(fresh);
          fresh.querySelectorAll("[name=symptom]:checked").forEach(askWhen);
          var again = place && document.getElementById(place[0]);
          if (again) {
            again.focus({ preventScroll: true });
            if (again.setSelectionRange && place[1] !== null && place[1] !== undefined) { again.setSelectionRange(place[1], place[2]); }
          }
        });
      })
      .catch(function () { root.classList.remove("js"); /* the button does it then */ });
  }

  document.addEventListener("change", function (event) {
    var field = event.target;
    if (field.name === "unit_kind" && closest(field, "form.entry")) { renew(field.form); }
    if (field.name === "symptom") { askWhen(field); take(field); }
    if (field.name === "attempt.level") { openWork(field); }
    if (/^(result|value)\./.test(field.name)) { take(field); }
    var panel = closest(field, ".when");
    if (panel && field.type === "checkbox") { sayWhen(panel); }
  });
  document.addEventListener("input", function (event) {
    if (event.target.id === "f-codes") { sayCodes(event.target); }
  });

  /* The menu closes when somebody taps elsewhere or presses Escape. */
  document.addEventListener("click", function (event) {
    document.querySelectorAll("details.more[open]").forEach(function (menu) {
      if (!menu.contains(event.target)) { menu.open = false; }
    });
  });
  document.addEventListener("keydown", function (event) {
    if (event.key !== "Escape") { return; }
    document.querySelectorAll("details.more[open]").forEach(function (menu) {
      menu.open = false;
      menu.querySelector("summary").focus();
    });
  });

  /* A file in the making is looked at again by itself. */
  if (document.querySelector("[data-waiting]")) { setTimeout(function () { location.reload(); }, 2500); }

  enhance(document);
  var faults = document.getElementById("faults");
  if (faults) { faults.focus(); }
}());
