"use strict";
(() => {
  document.documentElement.classList.add("live");
  const numbers = JSON.parse(document.getElementById("numbers").textContent);
  const find = (selector, within = document) => [...within.querySelectorAll(selector)];

  // The drawing library is unpacked only when the first chart is wanted.
  let library;
  async function unpacked() {
    const packed = Uint8Array.from(atob(document.getElementById("engine").textContent), (sign) => sign.charCodeAt(0));
    const text = await new Response(new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"))).text();
    const script = document.createElement("script");
    script.textContent = `(() => {${text}})()`;
    document.head.append(script);
    return window.vegaEmbed;
  }
  const engine = () => (library ??= unpacked());

  function rows(fields, columns) {
    return columns[0].map((_, at) => Object.fromEntries(fields.map((field, i) => [field, columns[i][at]])));
  }

  // A figure comes as its sentence, some with a still picture and a table; the rest is added here.
  let furnished = 0;
  function furnish(figure) {
    const says = figure.querySelector("figcaption");
    says.id = `says-${furnished += 1}`;
    const drawn = document.createElement("div");
    drawn.className = "drawn";
    drawn.setAttribute("role", "img");
    drawn.setAttribute("aria-labelledby", says.id);
    says.before(drawn);
    if (figure.querySelector(".numbers")) return;
    const details = document.createElement("details");
    details.className = "numbers";
    details.append(document.createElement("summary"), document.createElement("div"));
    details.firstChild.textContent = "Numbers behind this chart";
    Object.assign(details.lastChild, { className: "wide", tabIndex: 0, role: "region" });
    details.lastChild.setAttribute("aria-labelledby", says.id);
    figure.append(details);
  }

  let turn = Promise.resolve();
  function draw(figure) {
    if (figure.dataset.state) return;
    figure.dataset.state = "drawing";
    furnish(figure);
    const [kind, data, height] = numbers.charts[figure.dataset.chart];
    const look = numbers.looks[kind];
    const datasets = Object.fromEntries(
      Object.entries(look.fields).map(([name, fields]) => [name, rows(fields, data[name])]));
    const spec = { ...structuredClone(look.spec), datasets };
    if (height) spec.height = height;
    // one after the other, with room between them for what the reader does meanwhile
    turn = turn.then(() => new Promise((next) => setTimeout(next))).then(engine).then((embed) => embed(find(".drawn", figure)[0], spec,
      { mode: "vega-lite", actions: false, renderer: "svg", ast: true, logLevel: 1 }))
      // the figure has its sentence; single marks would only be noise
      .then(() => { figure.querySelector(".drawn svg").setAttribute("aria-hidden", "true");
        figure.classList.add("is-drawn"); figure.dataset.state = "drawn"; })
      .catch((error) => { figure.dataset.state = "failed"; console.error(error); });
  }

  const near = new IntersectionObserver((seen) => seen.forEach((one) => {
    if (one.isIntersecting) { near.unobserve(one.target); draw(one.target); }
  }), { rootMargin: "300px" });
  find(".figure").forEach((figure) => near.observe(figure));

  window.addEventListener("beforeprint", () =>
    find(".figure").filter((figure) => !figure.closest("details:not([open])")).forEach(draw));

  const text = (value) => value === null ? "–"
    : typeof value === "boolean" ? (value ? "yes" : "no") : typeof value === "number" ? String(Number.isInteger(value) ? value : value.toFixed(1)).replace("-", "−") : value;

  function write(figure) {
    const place = find(".numbers .wide", figure)[0];
    if (place.childElementCount) return;
    const [kind, data] = numbers.charts[figure.dataset.chart];
    const look = numbers.looks[kind];
    const columns = look.headings.map(([field]) => data.rows[look.fields.rows.indexOf(field)]);
    const table = place.appendChild(document.createElement("table"));
    const row = (into, tag, values) => {
      const line = into.insertRow();
      values.forEach((value) => {
        const cell = line.appendChild(document.createElement(tag));
        cell.textContent = text(value);
        if (tag === "th") cell.scope = "col";
        if (typeof value === "number") cell.className = "r";
      });
    };
    row(table.createTHead(), "th", look.headings.map(([, title]) => title));
    const body = table.createTBody();
    columns[0].forEach((_, at) => row(body, "td", columns.map((column) => column[at])));
  }

  document.addEventListener("toggle", (event) => {
    if (!event.target.open) return;
    if (event.target.matches(".numbers")) write(event.target.closest(".figure"));
    else if (event.target.matches(".card")) find(".figure", event.target).forEach(draw);
  }, true);

  // Crockford base32: letters easily mistaken are read as the digits they look like
  function card(typed) {
    const plain = typed.toUpperCase().replace(/[^0-9A-Z]/g, "").replace(/[IL]/g, "1").replace(/O/g, "0");
    return [typed, `${plain.slice(0, 4)}-${plain.slice(4)}`]
      .map((label) => document.getElementById(label)).find((one) => one?.matches("details.card"));
  }

  // report.html#LABEL opens that car's card
  function open() {
    let wanted = location.hash.slice(1);
    try { wanted = decodeURIComponent(wanted); } catch { /* not encoded: as it stands */ }
    const found = wanted && card(wanted);
    if (!found) return;
    found.open = true;
    find(".figure", found).forEach(draw);
    found.scrollIntoView();
    found.querySelector("summary").focus({ preventScroll: true });
  }
  window.addEventListener("hashchange", open);

  const all = document.getElementById("all");
  const lines = [...all.tBodies[0].rows];
  const key = (cell) => {
    if (cell.dataset.k) return Number(cell.dataset.k);
    const shown = cell.textContent.trim();
    if (!cell.matches(".r")) return shown;
    return shown === "–" ? -Infinity : Number(shown.replace("−", "-"));
  };
  find("thead th", all).forEach((head, at) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = head.textContent;
    head.replaceChildren(button);
    button.addEventListener("click", () => {
      const up = head.getAttribute("aria-sort") !== "ascending";
      find("thead th", all).forEach((other) => other.removeAttribute("aria-sort"));
      head.setAttribute("aria-sort", up ? "ascending" : "descending");
      const keyed = lines.map((line) => [key(line.cells[at]), line]);
      keyed.sort(([a], [b]) => (a < b ? -1 : a > b ? 1 : 0) * (up ? 1 : -1));
      all.tBodies[0].append(...keyed.map(([, line]) => line));
    });
  });

  const filter = document.getElementById("filter");
  const sieve = () => {
    const wanted = document.getElementById("filter-text").value.toLowerCase();
    const signal = document.getElementById("filter-signal").value;
    let count = 0;
    lines.forEach((line) => {
      const fits = (!signal || line.dataset.s === signal)
        && `${line.cells[0].textContent} ${line.cells[1].textContent}`.toLowerCase().includes(wanted);
      line.hidden = !fits;
      count += fits;
    });
    document.getElementById("filter-count").textContent = `${count} of ${lines.length} rows`;
  };
  filter.addEventListener("input", sieve);
  filter.addEventListener("submit", (event) => event.preventDefault());

  // a label opens its card; part of a setup's name shows the cars that have it
  const form = document.getElementById("find");
  form.addEventListener("submit", (event) => {
    event.preventDefault();
    const typed = form.label.value.trim();
    const found = card(typed);
    const setups = lines.filter((line) => line.cells[1].textContent.toLowerCase().includes(typed.toLowerCase()));
    document.getElementById("found").textContent = found || (typed && setups.length) ? ""
      : `There is no card and no setup ${typed} in this quarter.`;
    if (found) {
      const place = `#${encodeURIComponent(found.id)}`;
      if (location.hash === place) open(); else location.hash = place;
    } else if (typed && setups.length) {
      document.getElementById("filter-text").value = typed;
      document.getElementById("filter-signal").value = "";
      sieve();
      filter.scrollIntoView();
      document.getElementById("filter-text").focus({ preventScroll: true });
    }
  });

  open();
  // the browser's own way to the address' end takes the focus away again
  window.addEventListener("load", () => setTimeout(open));
})();
