"use strict";
(() => {
  const NEAR_TREE_PX = 9;
  const NEAREST_VIEW = 0.02; // metres a pixel: closer shows nothing more
  const WIDEST_VIEW = 12; // times the whole stand
  const TREES_FIRST = 0.35; // metres a pixel: from here on trees stand apart enough to be picked
  const ZOOM_STEP = 1.5;
  const LINES_OF_MANY = 6; // of each, where several features are selected together
  const CROWDED = 4000; // trees on the map; more are printed as a picture, not as shapes
  const TREE_SIZES = [[1.5, 0.4], [0.7, 0.55], [0.35, 0.75], [0.15, 1], [0, 1.5]]; // from metres a pixel on
  const PICKED = [
    "openings", "incidental_openings", "corridors", "combined_openings", "landings", "exclusions", "water",
    "setbacks", "zones",
  ];
  const FOOT = 0.3048;
  const HARDLY_SEEN_PX = 80;
  const LETTER_PX = 8;
  const LABEL_PX = 20;
  const AIR = 1.6; // times the size of what is selected

  const byId = (id) => document.getElementById(id);
  const all = (selector, inside = document) => [...inside.querySelectorAll(selector)];
  const read = (id) => JSON.parse(byId(id).textContent);
  const made = (tag, text = "", classes = "") => {
    const element = document.createElement(tag);
    element.textContent = text;
    if (classes) element.className = classes;
    return element;
  };

  const page = read("page-data");
  const stage = byId("map");
  const card = byId("card");
  let chart = null;
  let view = null;
  let wasAt = null;
  let treeSizes = [];
  let treeFactor = 1;
  let labels = [];
  let labelScale = NaN;

  // ---- the view: metres a pixel, the same in both directions -----------------------------------

  const size = () => {
    const { width, height } = stage.getBoundingClientRect();
    return [Math.max(width, 1), Math.max(height, 1)];
  };

  const current = () => {
    const { x_range: x, y_range: y } = chart;
    return {
      x: (x.start + x.end) / 2,
      y: (y.start + y.end) / 2,
      scale: (x.end - x.start) / size()[0],
    };
  };

  const show = ({ x, y, scale }) => {
    const [width, height] = size();
    const fitted = Math.min(Math.max(scale, NEAREST_VIEW), fitting(page.box).scale * WIDEST_VIEW);
    const half = [(width * fitted) / 2, (height * fitted) / 2];
    chart.x_range.setv({ start: x - half[0], end: x + half[0] });
    chart.y_range.setv({ start: y - half[1], end: y + half[1] });
    settle({ x, y, scale: fitted });
  };

  const settle = (now) => {
    wasAt = now;
    drawScale();
    sizeTrees(now.scale);
    thinLabels(now.scale);
  };

  const thinLabels = (scale) => {
    // Of labels that would cover each other the first stays: danger and line trees, then openings go first.
    if (Math.abs(scale / labelScale - 1) < 1e-3) return;
    labelScale = scale;
    const taken = [];
    for (const [renderer, { x, y, text }] of labels) {
      const free = text.map((words, i) => {
        const box = { x: x[i] / scale, y: y[i] / scale, half: (LETTER_PX * words.length) / 2 + 5 };
        const clash = (other) =>
          Math.abs(other.x - box.x) < other.half + box.half && Math.abs(other.y - box.y) < LABEL_PX;
        if (taken.some(clash)) return false;
        taken.push(box);
        return true;
      });
      const kept = (values) => values.filter((_, i) => free[i]);
      renderer.data_source.data = { x: kept(x), y: kept(y), text: kept(text) };
    }
  };

  const sizeTrees = (scale) => {
    const factor = TREE_SIZES.find(([closest]) => scale >= closest)[1];
    if (factor === treeFactor) return;
    treeFactor = factor;
    for (const [renderer, sizes] of treeSizes) {
      const source = renderer.data_source;
      source.data = { ...source.data, size: sizes.map((one) => one * factor) };
    }
  };

  const overlaid = () =>
    !card.hidden && getComputedStyle(card).position === "absolute" ? card.offsetWidth + 12 : 0;

  const fitting = ([west, south, east, north], air = 1, aside = 0) => {
    const [width, height] = size();
    const room = Math.max(width - aside, width / 3);
    const scale = Math.max((east - west) / room, (north - south) / height) * air;
    return { x: (west + east) / 2 + (aside * scale) / 2, y: (south + north) / 2, scale };
  };

  const zoomBy = (factor) => show({ ...current(), scale: current().scale * factor });
  const moveBy = (right, up) => {
    const { x, y, scale } = current();
    const [width, height] = size();
    show({ x: x + right * width * scale, y: y + up * height * scale, scale });
  };
  const showWhole = () => show(fitting(page.box));

  const settled = () => {
    // The plotting library moved the view; a change of the window's shape must not stretch it.
    const { x, y, scale } = current();
    const limit = fitting(page.box).scale * WIDEST_VIEW;
    const across = (chart.y_range.end - chart.y_range.start) / size()[1];
    if (scale < NEAREST_VIEW || scale > limit || Math.abs(across / scale - 1) > 1e-6) {
      show({ x, y, scale });
      return;
    }
    settle({ x, y, scale });
  };

  // ---- scale bar and coordinates ---------------------------------------------------------------

  const roundBelow = (number) => {
    const power = 10 ** Math.floor(Math.log10(number));
    return power * [5, 2, 1].find((step) => step * power <= number);
  };

  const drawScale = () => {
    const longest = 130 * current().scale;
    const metres = roundBelow(longest);
    const feet = roundBelow(longest / FOOT);
    bar("scale-metres", metres / current().scale, `${metres.toLocaleString("en")} m`);
    bar("scale-feet", (feet * FOOT) / current().scale, `${feet.toLocaleString("en")} ft`);
  };

  const bar = (id, pixels, text) => {
    const [line, label] = byId(id).children;
    line.style.width = `${pixels}px`;
    label.textContent = text;
  };

  const at = (event) => {
    const box = stage.getBoundingClientRect();
    const { x_range: x, y_range: y } = chart;
    return [
      x.start + ((event.clientX - box.left) / box.width) * (x.end - x.start),
      y.end - ((event.clientY - box.top) / box.height) * (y.end - y.start),
    ];
  };

  const tellPosition = (event) => {
    const [x, y] = at(event);
    const [east, north] = [x + page.origin[0], y + page.origin[1]].map((n) => n.toFixed(0));
    byId("position").textContent = `E ${east}  N ${north}`;
  };

  // ---- what lies under a point -----------------------------------------------------------------

  const renderers = (layer) => chart.renderers.filter((one) => one.name === layer);
  const column = (renderer, name) => renderer.data_source?.data[name];

  const inRing = (x, y, xs, ys) => {
    let inside = false;
    for (let i = 0, j = xs.length - 1; i < xs.length; j = i++) {
      const crosses = ys[i] > y !== ys[j] > y;
      if (crosses && x < ((xs[j] - xs[i]) * (y - ys[i])) / (ys[j] - ys[i]) + xs[i]) {
        inside = !inside;
      }
    }
    return inside;
  };

  const inShape = (x, y, xs, ys) =>
    xs.some((part, p) => part.filter((ring, r) => inRing(x, y, ring, ys[p][r])).length % 2 === 1);

  const areaAt = (x, y) => {
    for (const layer of PICKED) {
      for (const renderer of renderers(layer)) {
        const keys = renderer.visible ? column(renderer, "key") : null;
        if (!keys) continue; // labels
        const xs = column(renderer, "xs");
        const ys = column(renderer, "ys");
        const found = keys.findIndex((_, i) => inShape(x, y, xs[i], ys[i]));
        if (found >= 0) return keys[found];
      }
    }
    return null;
  };

  const pointAt = (x, y) => {
    // The nearest tree or other point: trees have rows, other points keys.
    let best = null;
    let nearest = NEAR_TREE_PX * current().scale;
    for (const renderer of chart.renderers) {
      const rows = column(renderer, "row");
      const keys = column(renderer, "key");
      const xs = column(renderer, "x");
      const ys = column(renderer, "y");
      if (!renderer.visible || !xs || !(rows ?? keys)) continue;
      for (let i = 0; i < xs.length; i++) {
        const distance = Math.hypot(xs[i] - x, ys[i] - y);
        if (distance < nearest) {
          nearest = distance;
          best = { row: rows?.[i], key: keys?.[i], x: xs[i], y: ys[i] };
        }
      }
    }
    return best;
  };

  const pick = (x, y) => {
    const point = pointAt(x, y);
    const area = areaAt(x, y);
    const crowded = current().scale > TREES_FIRST && area?.startsWith("openings:");
    if (point?.key) select([point.key], { zoom: false });
    else if (point && !crowded) selectTree(point);
    else if (area) select([area], { zoom: false });
    else clear();
  };

  // ---- the selected features -------------------------------------------------------------------

  const shapesOf = (keys) => {
    // Outer edges only: the small gaps between crowns would blot out the opening.
    const areas = { xs: [], ys: [] };
    const points = { x: [], y: [] };
    for (const renderer of chart.renderers) {
      const taken = (name, i) => column(renderer, name)[i];
      column(renderer, "key")?.forEach((key, i) => {
        if (!keys.includes(key)) return;
        const names = column(renderer, "xs") ? ["xs", "ys"] : ["x", "y"];
        for (const name of names) {
          if (name.length === 2) areas[name].push(taken(name, i).map((part) => [part[0]]));
          else points[name].push(taken(name, i));
        }
      });
    }
    return [areas, points];
  };

  const outline = (shapes, points = { x: [], y: [] }) => {
    for (const one of renderers("highlight")) one.data_source.data = shapes;
    for (const one of renderers("highlight_point")) one.data_source.data = points;
  };

  const select = (keys, { zoom = true, head = null } = {}) => {
    const known = keys.filter((key) => page.features[key]);
    for (const key of known) switchOn(key.split(":")[0]);
    outline(...shapesOf(known));
    fill([...(head ? [head] : []), ...known.map((key) => featurePart(key, known.length > 1))]);
    markRows(known);
    if (zoom && known.length) {
      const boxes = known.map((key) => page.features[key].box);
      const union = [0, 1].map((i) => Math.min(...boxes.map((box) => box[i])))
        .concat([2, 3].map((i) => Math.max(...boxes.map((box) => box[i]))));
      show(fitting(union, AIR, overlaid()));
      const { top, bottom } = stage.getBoundingClientRect();
      if (bottom < HARDLY_SEEN_PX || top > innerHeight - HARDLY_SEEN_PX) {
        byId("map-side").scrollIntoView({ block: "start" });
      }
    }
  };

  const selectTree = ({ row, x, y }) => {
    outline({ xs: [], ys: [] }, { x: [x], y: [y] });
    markRows([]);
    const lines = page.trees
      .map(({ label, texts, at: place }) => [label, texts[place[row]]])
      .filter(([, text]) => text);
    const name = lines.length && lines[0][0] === "Tree" ? lines.shift()[1] : "";
    fill([part(name ? `Tree ${name}` : "Tree", lines, [])]);
  };

  const clear = () => {
    outline({ xs: [], ys: [] });
    markRows([]);
    card.hidden = true;
  };

  const fill = (parts) => {
    byId("card-content").replaceChildren(...parts);
    card.hidden = false;
    byId("card-content").scrollTop = 0;
  };

  const featurePart = (key, isOneOfMany) => {
    const { title, lines, limits } = page.features[key];
    return isOneOfMany ? part(title, lines.slice(0, LINES_OF_MANY), []) : part(title, lines, limits);
  };

  const part = (title, lines, limits) => {
    const whole = made("section");
    const table = made("dl");
    for (const [label, text] of lines) table.append(made("dt", label), made("dd", text));
    const met = limits.filter(({ verdict }) => verdict === "met");
    const others = limits.filter(({ verdict }) => verdict !== "met");
    whole.append(made("h2", title), ...limitList(others), table, ...limitList(met));
    return whole;
  };

  const limitList = (limits) => {
    if (!limits.length) return [];
    const list = made("ul", "", "card-limits");
    for (const { verdict, words, text } of limits) {
      const item = made("li");
      item.append(badge(verdict, words), made("span", ` ${text}`));
      list.append(item);
    }
    return [list];
  };

  const badge = (verdict, words) => made("span", words, `verdict verdict-${verdict}`);

  const markRows = (keys) => {
    for (const row of all("tr[data-keys]")) {
      const mine = row.dataset.keys.split(" ");
      const chosen = keys.length > 0 && mine.length === keys.length && keys.every((key) => mine.includes(key));
      row.classList.toggle("chosen", chosen);
    }
  };

  // ---- layers ----------------------------------------------------------------------------------

  const setLayer = (name, visible) => {
    for (const one of renderers(name)) one.visible = visible;
  };

  const switchOn = (name) => {
    const box = document.querySelector(`input[data-layer="${CSS.escape(name)}"]`);
    if (box && !box.checked) {
      box.checked = true;
      setLayer(name, true);
    }
  };

  // ---- tables ----------------------------------------------------------------------------------

  const sortBy = (heading) => {
    const table = heading.closest("table");
    const place = heading.cellIndex;
    const down = heading.getAttribute("aria-sort") === "ascending";
    const rows = all("tbody tr", table);
    const value = (row) => {
      const cell = row.cells[place];
      if (cell.dataset.by !== undefined) return Number(cell.dataset.by);
      return cell.textContent.trim().toLocaleLowerCase("en");
    };
    const order = (a, b) => {
      const [left, right] = [value(a), value(b)];
      if (left === "" || right === "") return (left === "") - (right === "");
      const bigger = typeof left === "number" && typeof right === "number"
        ? left - right
        : String(left).localeCompare(String(right), "en", { numeric: true });
      return down ? -bigger : bigger;
    };
    table.tBodies[0].append(...rows.sort(order));
    for (const other of heading.parentElement.cells) other.removeAttribute("aria-sort");
    heading.setAttribute("aria-sort", down ? "descending" : "ascending");
  };

  const filterLimits = () => {
    const shown = all("input[data-verdict]").filter((one) => one.checked).map((one) => one.dataset.verdict);
    const rows = all("#limits-table tbody tr");
    for (const row of rows) row.hidden = !shown.includes(row.dataset.verdict);
    byId("limits-shown").textContent = `${rows.filter((row) => !row.hidden).length} of ${rows.length} shown`;
  };

  const openRow = (row) => {
    const { title, verdict, words } = row.dataset;
    const keys = row.dataset.keys.split(" ");
    let head = null;
    if (title && keys.length > 1) {
      head = made("section");
      head.append(badge(verdict, words), made("p", title, "card-head"));
    }
    select(keys, { head });
  };

  // ---- keys and printing -----------------------------------------------------------------------

  const KEYS = {
    ArrowLeft: () => moveBy(-0.2, 0),
    ArrowRight: () => moveBy(0.2, 0),
    ArrowUp: () => moveBy(0, 0.2),
    ArrowDown: () => moveBy(0, -0.2),
    "+": () => zoomBy(1 / ZOOM_STEP),
    "=": () => zoomBy(1 / ZOOM_STEP),
    "-": () => zoomBy(ZOOM_STEP),
    0: showWhole,
    Enter: () => pick(current().x, current().y),
  };

  const onKey = (event) => {
    const act = event.ctrlKey || event.metaKey || event.altKey ? null : KEYS[event.key];
    if (act) {
      event.preventDefault();
      act();
    }
  };

  const pictureForPaper = () => {
    if (!view) return;
    const [width, height] = size();
    const sheet = inked("svg", { viewBox: `0 0 ${width} ${height}`, role: "img" });
    sheet.setAttribute("aria-label", "Map as it is shown on the screen");
    sheet.style.setProperty("--aspect", width / height);
    const inner = isCrowded() ? painted() : drawn(); // a nested picture is cut at its edges
    inner.setAttribute("width", width);
    inner.setAttribute("height", height);
    sheet.append(inner, ...scaleForPaper(height));
    byId("paper-map").replaceChildren(sheet);
  };

  const isCrowded = () => treeSizes.reduce((sum, [, sizes]) => sum + sizes.length, 0) > CROWDED;

  const drawn = () => {
    const text = view.export("svg").ctx.get_serialized_svg(true);
    const picture = new DOMParser().parseFromString(text, "image/svg+xml").documentElement;
    return document.importNode(picture, true);
  };

  const painted = () => { // twice as fine as the screen; thousands of shapes take a printer too long
    const own = Object.getOwnPropertyDescriptor(window, "devicePixelRatio");
    Object.defineProperty(window, "devicePixelRatio", { value: 2 * devicePixelRatio, configurable: true });
    const { canvas } = view.export("png");
    Object.defineProperty(window, "devicePixelRatio", own);
    return inked("image", { href: canvas.toDataURL() });
  };

  const inked = (tag, attributes, text = "") => {
    const element = document.createElementNS("http://www.w3.org/2000/svg", tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    element.textContent = text;
    return element;
  };

  const scaleForPaper = (height) => {
    const back = inked("rect", { x: 6, y: height - 44, width: 186, height: 38, class: "scale-back" });
    return [back, ...["scale-metres", "scale-feet"].flatMap((id, i) => {
      const [line, label] = byId(id).children;
      const [length, y] = [parseFloat(line.style.width), height - 30 + 18 * i];
      return [
        inked("path", { d: `M12 ${y - 7}V${y}H${12 + length}V${y - 7}`, class: "scale-line" }),
        inked("text", { x: 20 + length, y, class: "scale-text" }, label.textContent),
      ];
    })];
  };

  // ---- start -----------------------------------------------------------------------------------

  const startTables = () => {
    for (const button of all("thead th button")) {
      button.addEventListener("click", () => sortBy(button.closest("th")));
    }
    for (const box of all("input[data-verdict]")) box.addEventListener("change", filterLimits);
    if (byId("limits-table")) filterLimits();
  };

  const startMap = () => {
    for (const box of all("input[data-layer]")) {
      setLayer(box.dataset.layer, box.checked);
      box.addEventListener("change", () => setLayer(box.dataset.layer, box.checked));
    }
    for (const row of all("tr[data-keys]")) {
      row.addEventListener("click", (event) => {
        if (getSelection().isCollapsed || event.target.closest("button")) openRow(row);
      });
    }
    const buttons = {
      "zoom-in": () => zoomBy(1 / ZOOM_STEP),
      "zoom-out": () => zoomBy(ZOOM_STEP),
      "zoom-whole": showWhole,
      "card-close": clear,
    };
    for (const [id, act] of Object.entries(buttons)) byId(id).addEventListener("click", act);
    stage.addEventListener("keydown", onKey);
    document.addEventListener("keydown", (event) => {
      if (event.key === "Escape" && !card.hidden) clear();
    });
    stage.addEventListener("pointermove", tellPosition);
    stage.addEventListener("pointerleave", () => { byId("position").textContent = ""; });
    chart.js_event_callbacks = new Map([["tap", [({ x, y }) => pick(x, y)]]]);
    for (const range of [chart.x_range, chart.y_range]) {
      range.change.connect(() => queueMicrotask(settled));
    }
    new ResizeObserver(() => { if (wasAt) show(wasAt); }).observe(stage);
    addEventListener("beforeprint", pictureForPaper);
    treeSizes = chart.renderers
      .filter((one) => /^cut_|^group_points$/.test(one.name ?? "") && column(one, "size"))
      .map((one) => [one, [...column(one, "size")]]);
    labels = ["danger", "line_tree", "openings", "corridors"]
      .flatMap(renderers)
      .filter((one) => column(one, "text"))
      .map((one) => [one, Object.fromEntries(["x", "y", "text"].map((n) => [n, [...column(one, n)]]))]);
    showWhole();
  };

  const start = async () => {
    startTables();
    const views = await Bokeh.embed.embed_item(read("map-item"), stage);
    view = [...views][0];
    chart = view.model;
    const catcher = view.canvas_view?.events_el;
    if (catcher) catcher.tabIndex = -1; // keys go to the map itself, which has a name
    startMap();
    document.documentElement.dataset.ready = "true";
  };

  start();
})();
