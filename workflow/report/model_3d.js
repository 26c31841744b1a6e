"use strict";
// The 3D views of a job's page. nightbay.report.model_3d documents the bytes; positions here are mm about the middle of
// the part. Colours and patterns are those of the still pictures; words come from the figure and its data.
(() => {
  const CLAY = [205, 207, 209], MEASURED = [157, 182, 207], UNKNOWN_RGB = [184, 184, 184], UNKNOWN = 255;
  const LABELLED = {oblique: [45, 29], left: [90, 0], right: [-90, 0], front: [0, 0], rear: [180, 0], top: [90, 90], below: [90, -90]};
  const VERTEX = `
    attribute vec3 tint;
    varying vec3 vTint;
    varying vec3 vSurfaceNormal;
    #include <clipping_planes_pars_vertex>
    void main() {
      vTint = tint;
      vSurfaceNormal = normalMatrix * normal;
      vec4 mvPosition = modelViewMatrix * vec4(position, 1.0);
      gl_Position = projectionMatrix * mvPosition;
      #include <clipping_planes_vertex>
    }`;
  const FRAGMENT = `
    varying vec3 vTint;
    varying vec3 vSurfaceNormal;
    uniform float shade;
    uniform float pixel;
    uniform bool filled;
    #include <clipping_planes_pars_fragment>
    void main() {
      #include <clipping_planes_fragment>
      vec3 normal = normalize(gl_FrontFacing ? vSurfaceNormal : -vSurfaceNormal);
      vec3 lamp = normalize(vec3(-0.35, 0.55, 0.76));
      float light = 0.42 + 0.38 * max(dot(normal, lamp), 0.0) + 0.20 * max(normal.z, 0.0);
      vec3 colour = vTint;
      vec2 at = floor(gl_FragCoord.xy / pixel);
      if (filled) colour = mod(at.x - at.y, 6.0) < 2.0 ? vec3(0.46, 0.16, 0.0) : vec3(0.84, 0.37, 0.0);
      else if (!gl_FrontFacing) colour = mod(at.x, 4.0) < 1.0 && mod(at.y, 4.0) < 1.0 ? vec3(0.30, 0.30, 0.33) : vec3(0.52, 0.52, 0.55);
      gl_FragColor = vec4(colour * (1.0 - shade + shade * light), 1.0);
    }`;

  async function unpack(text) {
    const packed = Uint8Array.from(atob(text.trim()), sign => sign.charCodeAt(0));
    const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("gzip"));
    return new Response(stream).arrayBuffer();
  }

  function decode(head, buffer) {
    const {vertices, faces, low_mm, step_mm} = head;
    const grid = new Uint16Array(buffer.slice(0, 6 * vertices));
    const positions = new Float32Array(3 * vertices), high = [0, 0, 0];
    for (let axis = 0; axis < 3; axis++) {
      let value = 0;
      for (let row = 0; row < vertices; row++) {
        value = (value + grid[axis * vertices + row]) & 65535;
        positions[3 * row + axis] = value * step_mm;
        high[axis] = Math.max(high[axis], value * step_mm);
      }
    }
    const middle = high.map(value => value / 2);
    for (let at = 0; at < positions.length; at++) positions[at] -= middle[at % 3];
    let offset = 6 * vertices;
    const corners = new Int32Array(buffer.slice(offset, offset + 12 * faces));
    const index = new Uint32Array(corners.length);
    for (let at = 0, value = 0; at < corners.length; at++) index[at] = value += corners[at];
    offset += 12 * faces;
    const values = {};
    for (const name of head.values) {
      values[name] = new Uint8Array(buffer, offset, vertices);
      offset += vertices;
    }
    return {positions, index, values, half: middle, middle: middle.map((value, axis) => value + low_mm[axis])};
  }

  const rgb = hex => [1, 3, 5].map(at => parseInt(hex.slice(at, at + 2), 16));
  const number = value => (value < 0 ? "\u2212" : "") + Math.abs(value).toFixed(0).replace(/\B(?=(\d{3})+$)/g, "\u202f");

  class View {
    constructor(figure, head, mesh) {
      Object.assign(this, {figure, head, mesh});
      this.canvas = figure.querySelector("canvas");
      this.overlay = figure.querySelector(".overlay");
      this.forward = new THREE.Vector3(head.forward, 0, 0);
      this.leftward = new THREE.Vector3(0, head.left, 0);
      this.up = new THREE.Vector3(0, 0, 1);
      this.radius = Math.hypot(...mesh.half);
      this.renderer = new THREE.WebGLRenderer({canvas: this.canvas, antialias: true, alpha: true, preserveDrawingBuffer: true});
      this.renderer.localClippingEnabled = true;
      this.camera = new THREE.OrthographicCamera(-1, 1, 1, -1, 0, 8 * this.radius);
      this.scene = new THREE.Scene();
      this.plane = new THREE.Plane(new THREE.Vector3(1, 0, 0), 0);
      this.addSurface();
      this.addOrigin();
      this.reset("oblique");
    }

    addSurface() {
      const {positions, index} = this.mesh, geometry = new THREE.BufferGeometry();
      geometry.setAttribute("position", new THREE.BufferAttribute(positions, 3));
      geometry.setIndex(new THREE.BufferAttribute(index, 1));
      geometry.computeVertexNormals();
      this.tint = new THREE.BufferAttribute(new Uint8Array(positions.length), 3, true);
      geometry.setAttribute("tint", this.tint);
      geometry.addGroup(0, 3 * this.head.measured, 0);
      geometry.addGroup(3 * this.head.measured, 3 * (this.head.faces - this.head.measured), 1);
      this.materials = [0, 1].map(() => new THREE.ShaderMaterial({
        vertexShader: VERTEX, fragmentShader: FRAGMENT, clipping: true,
        uniforms: {shade: {value: 1}, pixel: {value: 1}, filled: {value: false}},
      }));
      this.scene.add(new THREE.Mesh(geometry, this.materials));
    }

    addOrigin() {
      const at = this.mesh.middle.map(value => -value), long = 0.06 * this.radius, ends = [];
      for (let axis = 0; axis < 3; axis++) for (const side of [-1, 1]) ends.push(...at.map((value, k) => value + (k === axis ? side * long : 0)));
      const geometry = new THREE.BufferGeometry();
      geometry.setAttribute("position", new THREE.BufferAttribute(new Float32Array(ends), 3));
      this.lines = new THREE.LineBasicMaterial({depthTest: false});
      const cross = new THREE.LineSegments(geometry, this.lines);
      cross.renderOrder = 1;
      this.scene.add(cross);
      this.places = [{at: new THREE.Vector3(...at), text: this.figure.dataset.origin}];
      if (this.head.front !== null) {
        const tail = new THREE.Vector3(this.head.forward * 1.06 * this.mesh.half[0], 0, -this.mesh.half[2]);
        this.arrow = new THREE.ArrowHelper(this.forward, tail, 0.25 * this.radius, 0, 0.08 * this.radius, 0.05 * this.radius);
        this.scene.add(this.arrow);
        this.places.push({at: tail.clone().addScaledVector(this.forward, 0.25 * this.radius), text: this.head.front});
      }
      for (const place of this.places) {
        place.label = this.overlay.appendChild(document.createElement("span"));
        place.label.className = "place";
        place.label.textContent = place.text;
      }
    }

    reset(name) {
      [this.azimuth, this.elevation] = LABELLED[name];
      this.target = new THREE.Vector3();
      this.half = 0;  // fitted when it is drawn
      this.draw();
    }

    basis() {
      const a = this.azimuth * Math.PI / 180, e = this.elevation * Math.PI / 180;
      const level = this.forward.clone().multiplyScalar(Math.cos(a)).addScaledVector(this.leftward, Math.sin(a));
      const towards = level.clone().multiplyScalar(Math.cos(e)).addScaledVector(this.up, Math.sin(e));
      const up = level.multiplyScalar(-Math.sin(e)).addScaledVector(this.up, Math.cos(e));
      return {towards, up, right: up.clone().cross(towards)};
    }

    fit(aspect, {right, up}) {
      const [x, y, z] = this.mesh.half, corners = [];
      for (const i of [-1, 1]) for (const j of [-1, 1]) for (const k of [-1, 1]) corners.push(new THREE.Vector3(i * x, j * y, k * z));
      const points = corners.concat(this.places.slice(1).map(({at}) => at));  // the arrow's tip, not a far origin
      const [u, v] = [right, up].map(axis => points.map(point => point.dot(axis)));
      const middle = values => (Math.max(...values) + Math.min(...values)) / 2;
      const half = values => (Math.max(...values) - Math.min(...values)) / 2;
      this.target.set(0, 0, 0).addScaledVector(right, middle(u)).addScaledVector(up, middle(v));
      this.half = 1.08 * Math.max(half(v), half(u) / aspect);
    }

    draw() {
      if (this.waiting) return;
      this.waiting = true;
      requestAnimationFrame(() => { this.waiting = false; this.render(); });
    }

    render() {
      const width = this.canvas.clientWidth, height = this.canvas.clientHeight, ratio = Math.min(devicePixelRatio, 2);
      if (!width || !height) return;
      this.renderer.setPixelRatio(ratio);
      this.renderer.setSize(width, height, false);
      const basis = this.basis(), aspect = width / height;
      if (!this.half) this.fit(aspect, basis);
      this.pixel_mm = 2 * this.half / height;
      Object.assign(this.camera, {left: -this.half * aspect, right: this.half * aspect, top: this.half, bottom: -this.half});
      this.camera.up.copy(basis.up);
      this.camera.position.copy(this.target).addScaledVector(basis.towards, 4 * this.radius);
      this.camera.lookAt(this.target);
      this.camera.updateProjectionMatrix();
      this.camera.updateMatrixWorld();
      const ink = getComputedStyle(this.figure).getPropertyValue("--stage-ink").trim();
      this.lines.color.set(ink);
      if (this.arrow) this.arrow.setColor(ink);
      for (const material of this.materials) material.uniforms.pixel.value = ratio;
      this.renderer.render(this.scene, this.camera);
      this.label(width, height, basis);
    }

    label(width, height, {right, up, towards}) {
      for (const {at, label} of this.places) {
        const spot = at.clone().project(this.camera), inside = Math.abs(spot.x) < 1 && Math.abs(spot.y) < 1;
        label.hidden = !inside;
        label.style.left = `${(spot.x + 1) / 2 * width}px`;
        label.style.top = `${(1 - spot.y) / 2 * height}px`;
      }
      const axes = [0, 1, 2].map(k => ({name: "XYZ"[k], x: right.getComponent(k), y: -up.getComponent(k), z: towards.getComponent(k)}));
      axes.sort((a, b) => a.z - b.z);  // the nearest last, on top
      this.overlay.querySelector(".tripod").innerHTML = axes.filter(({x, y}) => Math.hypot(x, y) > 0.2).map(({name, x, y}) =>
        `<line x2="${(26 * x).toFixed(1)}" y2="${(26 * y).toFixed(1)}"/><text x="${(35 * x).toFixed(1)}" y="${(35 * y + 4.5).toFixed(1)}">${name}</text>`).join("");
      const most = 0.25 * width * this.pixel_mm, power = 10 ** Math.floor(Math.log10(most));
      const long = power * [5, 2, 1].find(step => step * power <= most);
      this.overlay.querySelector(".bar i").style.width = `${(long / this.pixel_mm).toFixed(1)}px`;
      this.overlay.querySelector(".bar span").textContent = `${long < 1 ? String(long).replace(".", this.head.decimal) : number(long)} mm`;
    }

    shade(name) {
      const {values} = this.mesh, to = this.tint.array, count = this.head.vertices;
      const table = (this.head.maps[name] || []).map(rgb);
      for (let row = 0; row < count; row++) {
        let colour = CLAY;
        if (name === "provenance") colour = MEASURED;
        else if (name === "colour") {
          const own = [values.red[row], values.green[row], values.blue[row]];
          colour = own.some(Boolean) ? own : UNKNOWN_RGB;
        }
        else if (name === "scatter" && values.scatter[row] === UNKNOWN) colour = UNKNOWN_RGB;
        else if (table.length) colour = table[name === "scatter" ? Math.round(values.scatter[row] * 255 / 254) : values.confidence[row]];
        to.set(colour, 3 * row);
      }
      this.tint.needsUpdate = true;
      const marked = name !== "plain";
      for (const material of this.materials) material.uniforms.shade.value = name === "plain" ? 1 : name === "colour" ? 0.6 : 0.45;
      this.materials[1].uniforms.filled.value = marked;
      for (const key of this.figure.querySelectorAll("[data-key]")) {
        key.hidden = key.dataset.key !== name;
        const ramp = key.querySelector(".ramp");
        if (ramp && !key.hidden) ramp.style.background = `linear-gradient(to right,${this.head.maps[name].join(",")})`;
      }
      this.figure.querySelector("[data-swatch=filled]").hidden = !marked;
      this.figure.querySelector("[data-swatch=unmarked]").hidden = marked;
      this.draw();
    }

    backs(shown) {
      for (const material of this.materials) {
        material.side = shown ? THREE.DoubleSide : THREE.FrontSide;
        material.needsUpdate = true;
      }
      this.figure.querySelector("[data-swatch=back]").hidden = !shown;
      this.draw();
    }

    cut(axis, at_mm, flip) {
      const planes = axis === null ? [] : [this.plane], side = flip ? -1 : 1;
      if (axis !== null) {
        this.plane.normal.set(0, 0, 0).setComponent(axis, -side);
        this.plane.constant = side * (at_mm - this.mesh.middle[axis]);
      }
      for (const material of this.materials) material.clippingPlanes = planes;
      this.draw();
    }

    turn(azimuth, elevation) {
      this.azimuth += azimuth;
      this.elevation = Math.min(90, Math.max(-90, this.elevation + elevation));
      this.draw();
    }

    move(x, y) {
      const {right, up} = this.basis();
      this.target.addScaledVector(right, -x * this.pixel_mm).addScaledVector(up, y * this.pixel_mm);
      this.draw();
    }

    zoom(factor, x = 0, y = 0) {
      const half = Math.min(3 * this.radius, Math.max(this.radius / 500, this.half / factor));
      const {right, up} = this.basis(), shift = (1 - half / this.half) * this.pixel_mm;
      this.target.addScaledVector(right, x * shift).addScaledVector(up, -y * shift);
      this.half = half;
      this.draw();
    }
  }

  function connect(view) {
    const {figure, canvas, head, mesh} = view, control = name => figure.querySelector(`[data-control=${name}]`);
    const [shading, axis, cut, flip, backs] = ["shading", "axis", "cut", "flip", "backs"].map(control);
    const output = figure.querySelector("output");
    const cutNow = () => {
      const chosen = axis.value === "" ? null : Number(axis.value);
      for (const label of figure.querySelectorAll(".cut")) label.hidden = chosen === null;
      output.textContent = chosen === null ? "" : `${"XYZ"[chosen]} = ${number(Number(cut.value))} mm`;
      view.cut(chosen, Number(cut.value), flip.checked);
    };
    axis.addEventListener("change", () => {
      if (axis.value !== "") {
        const k = Number(axis.value);
        cut.min = Math.floor(mesh.middle[k] - mesh.half[k]);
        cut.max = Math.ceil(mesh.middle[k] + mesh.half[k]);
        cut.value = Math.round(mesh.middle[k]);
      }
      cutNow();
    });
    cut.addEventListener("input", cutNow);
    flip.addEventListener("change", cutNow);
    shading.addEventListener("change", () => view.shade(shading.value));
    backs.checked = head.backs;
    backs.addEventListener("change", () => view.backs(backs.checked));
    for (const button of figure.querySelectorAll("[data-view]")) button.addEventListener("click", () => view.reset(button.dataset.view));
    for (const button of figure.querySelectorAll("[data-zoom]")) button.addEventListener("click", () => view.zoom(Number(button.dataset.zoom)));
    canvas.addEventListener("keydown", event => {
      const step = {ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1]}[event.key];
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      if (step && event.shiftKey) view.move(20 * step[0], 20 * step[1]);
      else if (step) view.turn(-5 * step[0], 5 * step[1]);
      else if (event.key === "+" || event.key === "=") view.zoom(1.25);
      else if (event.key === "-") view.zoom(0.8);
      else if (event.key === "0") view.reset("oblique");
      else return;
      event.preventDefault();
    });
    canvas.addEventListener("wheel", event => {
      if (document.activeElement !== canvas) return;  // the wheel scrolls the page until the view is clicked
      event.preventDefault();
      const box = canvas.getBoundingClientRect();
      view.zoom(1.0015 ** -event.deltaY, event.clientX - box.left - box.width / 2, event.clientY - box.top - box.height / 2);
    }, {passive: false});
    drag(view, canvas);
    shading.value = head.first;
    view.backs(head.backs);
    view.shade(shading.value);
    new ResizeObserver(() => view.draw()).observe(canvas);
    matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => view.draw());
  }

  function drag(view, canvas) {
    const fingers = new Map();
    canvas.addEventListener("contextmenu", event => event.preventDefault());
    canvas.addEventListener("pointerdown", event => {
      canvas.focus({preventScroll: true});
      canvas.setPointerCapture(event.pointerId);
      fingers.set(event.pointerId, event);
    });
    canvas.addEventListener("pointermove", event => {
      const before = fingers.get(event.pointerId);
      if (!before) return;
      const x = event.clientX - before.clientX, y = event.clientY - before.clientY;
      const other = [...fingers.values()].find(finger => finger.pointerId !== event.pointerId);
      if (other) {
        const apart = finger => Math.hypot(finger.clientX - other.clientX, finger.clientY - other.clientY);
        view.move(x / 2, y / 2);
        view.zoom(Math.max(apart(event), 1) / Math.max(apart(before), 1));
      } else if (event.shiftKey || event.buttons & 6) view.move(x, y);
      else view.turn(-0.4 * x, 0.4 * y);
      fingers.set(event.pointerId, event);
    });
    for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, event => fingers.delete(event.pointerId));
  }

  function show(figure, live, words) {
    figure.querySelector(".still").hidden = live;
    for (const part of ["canvas", ".overlay", ".controls", "[id$=-keys]"]) figure.querySelector(part).hidden = !live;
    const notice = figure.querySelector(".notice");
    notice.hidden = live;
    notice.textContent = words;
  }

  async function start(figure) {
    const [head, data] = [...figure.querySelectorAll("script")].map(script => script.textContent);
    try {
      if (!window.DecompressionStream) throw new Error(figure.dataset.old);
      const described = JSON.parse(head), mesh = decode(described, await unpack(data));
      show(figure, true, "");
      connect(new View(figure, described, mesh));
      figure.querySelector("canvas").addEventListener("webglcontextlost", () => show(figure, false, figure.dataset.dropped));
      figure.dataset.ready = "";
    } catch (error) {
      show(figure, false, figure.dataset.failed.replace("{reason}", () => error.message.replace(/\.$/, "")));
    }
  }

  const near = new IntersectionObserver(seen => {
    for (const {isIntersecting, target} of seen) {
      if (!isIntersecting) continue;
      near.unobserve(target);
      start(target);
    }
  }, {rootMargin: "400px"});
  for (const figure of document.querySelectorAll("figure.model")) near.observe(figure);
})();
