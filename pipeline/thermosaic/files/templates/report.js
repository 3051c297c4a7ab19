(function () {
  "use strict";
  const data = JSON.parse(document.getElementById("data").textContent);
  let units = data.units;
  const NO_BREAK = "\u00a0";

  function written(value, decimals) {
    let text = value.toFixed(decimals);
    if (Number(text) === 0) text = text.replace("-", "");
    const parts = text.split(".");
    parts[0] = parts[0].replace(/\B(?=(\d{3})+(?!\d))/g, ",");
    return parts.join(".").replace("-", "\u2212");
  }
  function quantity(si, kind, bare) {
    const [name, factor, shift, decimals] = data.kinds[kind][units];
    const text = written(si * factor + shift, decimals);
    if (bare) return text;
    let full = text + NO_BREAK + name;
    if (kind === "area" && units === "us") full += " (" + written(si / data.yard2, 1) + NO_BREAK + "yd\u00b2)";
    return full;
  }
  function element(name, text, parent) {
    const made = document.createElement(name);
    if (text !== undefined) made.textContent = text;
    if (parent) parent.appendChild(made);
    return made;
  }

  // unit switch
  const tools = document.getElementById("tools");
  const names = { us: "ft, \u00b0F", si: "m, \u00b0C" };
  const toggle = element("button", "", tools);
  toggle.type = "button";
  toggle.id = "units";
  function showUnits() {
    const other = units === "us" ? "si" : "us";
    toggle.textContent = "Show tables in " + names[other];
    document.querySelectorAll(".u").forEach(function (span) {
      span.textContent = data.kinds[span.dataset.k][units][0];
    });
    document.querySelectorAll(".q").forEach(function (span) {
      span.textContent = quantity(Number(span.dataset.v), span.dataset.k, span.dataset.bare);
    });
  }
  toggle.addEventListener("click", function () {
    units = units === "us" ? "si" : "us";
    showUnits();
  });
  toggle.textContent = "Show tables in " + names[units === "us" ? "si" : "us"];
  tools.hidden = false;

  // sortable tables
  function key(cell) {
    if (cell.dataset.sort !== undefined) return Number(cell.dataset.sort);
    const span = cell.querySelector(".q");
    if (span) return Number(span.dataset.v);
    const text = cell.textContent.trim();
    const value = Number(text.replace(/[,%\s]/g, "").replace("\u2212", "-"));
    return text !== "" && !Number.isNaN(value) ? value : text;
  }
  function compare(a, b) {
    if (typeof a === "number" && typeof b === "number") {
      return (Number.isNaN(a) ? Infinity : a) - (Number.isNaN(b) ? Infinity : b) || 0;
    }
    if (typeof a === "number") return -1;
    if (typeof b === "number") return 1;
    return a < b ? -1 : a > b ? 1 : 0;
  }
  document.querySelectorAll("table.sortable").forEach(function (table) {
    table.querySelectorAll("thead th").forEach(function (head, column) {
      const button = element("button");
      button.type = "button";
      button.append(...head.childNodes);
      head.appendChild(button);
      button.addEventListener("click", function () {
        const down = head.getAttribute("aria-sort") === "ascending";
        table.querySelectorAll("thead th").forEach(function (other) { other.removeAttribute("aria-sort"); });
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
        const rows = Array.from(table.tBodies[0].rows).map(function (row) { return [key(row.cells[column]), row]; });
        rows.sort(function (a, b) { return (down ? -1 : 1) * compare(a[0], b[0]); });
        rows.forEach(function (pair) { table.tBodies[0].appendChild(pair[1]); });
      });
    });
  });

  // closed parts are printed too, and closed again
  let opened = [];
  window.addEventListener("beforeprint", function () {
    opened = Array.from(document.querySelectorAll("details:not([open])"));
    opened.forEach(function (part) { part.open = true; });
  });
  window.addEventListener("afterprint", function () {
    opened.forEach(function (part) { part.open = false; });
  });

  // the map is drawn when it is about to be seen, or asked for from a table
  let mapped = null;
  function map() {
    if (!mapped) mapped = drawMap(data.map);
    return mapped;
  }
  const frame = document.getElementById("map");
  if (data.map && frame && window.L && window.DecompressionStream && window.IntersectionObserver) {
    frame.hidden = false;
    document.getElementById("readout").hidden = false;
    document.getElementById("plan").style.display = "none";
    const watch = new IntersectionObserver(function (entries) {
      if (entries.some(function (entry) { return entry.isIntersecting; })) {
        watch.disconnect();
        map();
      }
    }, { rootMargin: "400px" });
    watch.observe(frame);
    addButtons();
  }

  function addButtons() {
    document.querySelectorAll("tr[data-box]").forEach(function (row) {
      const button = element("button", "map", row.cells[0]);
      button.type = "button";
      button.className = "zoom";
      button.setAttribute("aria-label", "Show on the map");
      button.addEventListener("click", function () {
        const b = row.dataset.box.split(",").map(Number), o = data.map.origin;
        frame.scrollIntoView({ block: "center" });
        const shown = map();
        shown.view.fitBounds(L.latLngBounds([[b[1] - o[1], b[0] - o[0]], [b[3] - o[1], b[2] - o[0]]]).pad(0.6));
        if (shown.shapes[row.id]) shown.shapes[row.id].openPopup();
      });
    });
    window.addEventListener("beforeprint", function () { document.getElementById("plan").style.display = ""; });
    window.addEventListener("afterprint", function () { document.getElementById("plan").style.display = "none"; });
  }

  function unpack(text, shape) {
    const raw = Uint8Array.from(atob(text), function (c) { return c.charCodeAt(0); });
    const stream = new Blob([raw]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Response(stream).arrayBuffer().then(function (buffer) {
      const steps = new Int16Array(buffer);
      for (let row = 0; row < shape[0]; row += 1) {
        for (let col = 1, i = row * shape[1] + 1; col < shape[1]; col += 1, i += 1) steps[i] += steps[i - 1];
      }
      return steps;
    });
  }

  function stationText(station, labels) {
    let value = station, region = 0;
    labels.equations.forEach(function (item, i) {
      if (item[0] <= station) { region = i + 1; value = item[1] + item[2] * (station - item[0]); }
    });
    const step = Math.pow(10, labels.digits);
    const size = Number((Math.abs(value) / labels.length).toFixed(labels.decimals));
    const whole = Math.floor(size / step), width = labels.digits + 1 + labels.decimals;
    const rest = (size - whole * step).toFixed(labels.decimals).padStart(width, "0");
    const text = (value < 0 && size > 0 ? "-" : "") + whole + "+" + rest;
    return labels.equations.length ? text + ":" + (region + 1) : text;
  }

  function locate(spine, east, north) {
    let best = null;
    for (let k = 0; k + 1 < spine.station.length; k += 1) {
      if (!spine.joined[k]) continue;
      const dx = spine.east[k + 1] - spine.east[k], dy = spine.north[k + 1] - spine.north[k];
      const length2 = dx * dx + dy * dy;
      const low = k === 0 || !spine.joined[k - 1] ? -1 : 0;
      const high = k + 2 === spine.station.length || !spine.joined[k + 1] ? 2 : 1;
      let share = ((east - spine.east[k]) * dx + (north - spine.north[k]) * dy) / length2;
      share = Math.min(Math.max(share, low), high);
      const ax = east - spine.east[k] - share * dx, ay = north - spine.north[k] - share * dy;
      const distance2 = ax * ax + ay * ay;
      if (best && distance2 >= best.distance2) continue;
      const side = (dy * ax - dx * ay) / Math.sqrt(length2);
      const between = function (list) { return list[k] + share * (list[k + 1] - list[k]); };
      best = { distance2: distance2, station: between(spine.station), side: side,
               offset: between(spine.middle) + side, half: between(spine.half) };
    }
    return best && Math.abs(best.side) <= best.half + 0.05 ? best : null;
  }

  function readAt(map, east, north) {
    for (let i = map.passes.length - 1; i >= 0; i -= 1) {
      const pass = map.passes[i], place = locate(pass.spine, east, north);
      if (!place || !pass.grid) continue;
      const row = Math.floor((place.offset - pass.offset) / pass.cell);
      const col = Math.floor((place.station - pass.station) / pass.cell);
      const inside = row >= 0 && row < pass.shape[0] && col >= 0 && col < pass.shape[1];
      const tenths = inside ? pass.grid[row * pass.shape[1] + col] : -32768;
      return { place: place, row: row, col: col, value: tenths === -32768 ? null : tenths / 10, pass: pass };
    }
    return null;
  }

  function readoutText(map, found) {
    if (!found) return "Move the pointer over the mat to read it.";
    const unit = data.kinds.temp[data.units][0];
    const edge = found.place.half - Math.abs(found.place.side);
    const side = found.place.side < 0 ? "left" : "right";
    const parts = [found.value === null ? "no reading" : found.value.toFixed(1) + NO_BREAK + unit];
    if (found.value !== null) {
      const si = (found.value - data.kinds.temp[data.units][2]) / data.kinds.temp[data.units][1];
      const other = data.units === "us" ? "si" : "us", o = data.kinds.temp[other];
      parts[0] += " (" + (si * o[1] + o[2]).toFixed(1) + NO_BREAK + o[0] + ")";
    }
    parts.push("Sta " + stationText(found.place.station, map.labels));
    parts.push(quantity(edge, "length") + " from the " + side + " edge, looking upstation");
    if (map.passes.length > 1) parts.push("pass " + found.pass.id);
    return parts.join("   ");
  }

  function drawMap(map) {
    const box = document.getElementById("map"), readout = document.getElementById("readout");
    const view = L.map(box, { crs: L.CRS.Simple, attributionControl: false, minZoom: -6, maxZoom: 7,
                              zoomSnap: 0.25, preferCanvas: false });
    L.control.scale({ metric: data.units === "si", imperial: data.units === "us" }).addTo(view);
    const layers = {};
    const pictures = L.layerGroup(map.pictures.map(function (item) {
      const b = item.box;
      return L.imageOverlay("data:image/png;base64," + item.png, [[b[1], b[0]], [b[3], b[2]]], { alt: "" });
    })).addTo(view);
    layers["Mat temperature"] = pictures;
    const styles = {
      profiles: function (f) { return { color: "#252525", weight: 1, dashArray: "6 4", fillColor: f.colour, fillOpacity: 0 }; },
      zones: function () { return { color: "#3182bd", weight: 2.5, fill: true, fillOpacity: 0 }; },
      stops: function () { return { color: "#a63603", weight: 2, fillOpacity: 0.25 }; },
      gaps: function () { return { color: "#252525", weight: 2, dashArray: "3 3", fillColor: "#fff", fillOpacity: 0.6 }; }
    };
    const titles = { profiles: "Profiles", zones: "Cold zones", stops: "Stops", gaps: "Not measured" };
    const shapes = {};
    map.layers.forEach(function (layer) {
      if (!layer.features.length) return;
      layers[titles[layer.id]] = L.layerGroup(layer.features.map(function (feature) {
        const shape = L.polygon(feature.rings.map(function (ring) { return [ring]; }), styles[layer.id](feature));
        const words = document.createElement("div");
        element("b", feature.title, words);
        feature.lines.forEach(function (line) { element("br", undefined, words); words.append(line); });
        const link = element("a", "in the table", element("div", undefined, words));
        link.href = "#" + feature.id;
        shape.bindPopup(words);
        shapes[feature.id] = shape;
        return shape;
      })).addTo(view);
    });
    const every = Math.ceil(map.ticks.length / 40);
    layers["Stations"] = L.layerGroup(map.ticks.filter(function (tick, i) { return i % every === 0; }).map(function (tick) {
      const turn = (tick[3] + 90) * Math.PI / 180, side = Math.sin(turn) < 0 ? 1 : -1;
      const d = [side * Math.cos(turn) * 4, side * Math.sin(turn) * 4];
      const outer = [tick[0] + d[0], tick[1] + d[1]];
      return L.layerGroup([
        L.polyline([outer, [tick[0] - d[0], tick[1] - d[1]]], { color: "#252525", weight: 1, interactive: false }),
        L.tooltip({ permanent: true, direction: "left", className: "station-label", offset: [-2, 0] })
          .setLatLng(outer).setContent(element("span", tick[2]))
      ]);
    })).addTo(view);
    L.control.layers(null, layers, { collapsed: window.innerWidth < 600 }).addTo(view);
    const all = L.latLngBounds(map.pictures.flatMap(function (item) {
      return [[item.box[1], item.box[0]], [item.box[3], item.box[2]]];
    }).concat(map.passes.flatMap(function (pass) {
      return pass.spine.east.map(function (east, i) { return [pass.spine.north[i], east]; });
    })));
    view.fitBounds(all.pad(0.04));
    readout.textContent = readoutText(map, null);
    view.on("mousemove click", function (event) {
      readout.textContent = readoutText(map, readAt(map, event.latlng.lng, event.latlng.lat));
    });
    Promise.all(map.passes.map(function (pass) {
      return unpack(pass.values, pass.shape).then(function (grid) { pass.grid = grid; });
    })).then(function () { box.dataset.ready = "1"; });
    window.thermosaicMap = { view: view, origin: map.origin };
    return { view: view, shapes: shapes };
  }
})();
