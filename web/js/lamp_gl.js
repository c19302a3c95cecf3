// The lamp's drawing: the relief in sight is laid out once into a buffer in px of its own tiles (so that
// nothing is interpolated before all tiles stand side by side, and no tile shows its edge), the colours into
// one of the canvas's size; both only when the picture moves or tiles come. They are lit pixel by pixel each
// time the lamp moves.
/**
 * @typedef {{texture: WebGLTexture, w: number, h: number}} Tex
 * @typedef {{x: number, y: number, w: number, h: number, tex: Tex}} Quad where a tile lies from the top left,
 *   px of the buffer, and its picture
 * @typedef {Quad & {edges: [number, number, number][], isOver: boolean}} ColourQuad shown where
 *   a x + b y + c > 0 for every edge (device px); isOver: a mark with its own transparency
 * @typedef {{x: number, y: number, px: number, w: number, h: number}} Grid of relief px: its corner and the
 *   size of one, device px; how many across and down
 * @typedef {object} Light
 * @property {[number, number, number][]} lamps   where they are, mm from the middle of the canvas; x right,
 *   y up, z to the viewer
 * @property {number} mm           mm per device px
 * @property {[number, number]} exaggeration of slopes and heights of the two sides; 1 = as measured
 * @property {[number, number, number, number]} frame left, top, right, bottom of the painting, device px
 * @property {boolean} isShadowed  ridges throw shadows
 * @property {boolean} isPlain     without the picture's colours
 * @property {[number, number, number]|null} line nx, ny, c: side B where nx x + ny y > c (device px, y down)
 */

const LAMPS = 7;
const STEPS = 40;  // along a shadow, at most
const REACH = 240; // of a shadow, device px
const CELL = 32;   // px of the relief across and down, of which the highest is known
const EDGES = 8;   // of an outline
const GRAIN = 128; // buffers grow in steps of so many px, so that zooming does not make a new one each frame

const CORNERS = `#version 300 es
in vec2 at; // 0..1
uniform vec4 place; // x, y, w, h in device px
uniform vec2 size;  // of the canvas
out vec2 uv;
out highp vec2 where; // device px, y down
void main() {
    vec2 p = place.xy + at * place.zw;
    uv = at;
    where = p;
    gl_Position = vec4(2.0 * p.x / size.x - 1.0, 1.0 - 2.0 * p.y / size.y, 0.0, 1.0);
}`;

// Twelve bits for each of n_x and n_y: interpolated after decoding, since a mixture of packed bytes means
// nothing. Black is no data.
const FETCH = `#version 300 es
precision highp float;
in vec2 uv;
uniform highp sampler2D coded;
out vec4 relief; // n_x, n_y, height over the middle of its range (mm), share that has data; all times that share
vec4 texel(ivec2 p);
void main() {
    ivec2 n = textureSize(coded, 0);
    vec2 p = clamp(floor((uv * vec2(n) - 0.5) * 256.0 + 0.5) / 256.0, vec2(0.0), vec2(n - 1));
    ivec2 a = ivec2(p), b = min(a + 1, n - 1);
    vec2 f = p - vec2(a);
    if (f == vec2(0.0)) { relief = texel(a); return; } // most tiles lie px on px
    relief = mix(mix(texel(a), texel(ivec2(b.x, a.y)), f.x),
                 mix(texel(ivec2(a.x, b.y)), texel(b), f.x), f.y);
}
ivec3 bytes(ivec2 p) { return ivec3(texelFetch(coded, p, 0).rgb * 255.0 + 0.5); }`;

const SLOPES = `${FETCH}
vec4 texel(ivec2 p) {
    ivec3 b = bytes(p);
    if (b == ivec3(0)) return vec4(0.0);
    float x = float((b.r << 4) | (b.g >> 4)), y = float(((b.g & 15) << 8) | b.b);
    return vec4(x / 2047.5 - 1.0, y / 2047.5 - 1.0, 0.0, 1.0);
}`;

// Sixteen bits. Written into the third channel alone, times the share that is there already.
const HEIGHTS = `${FETCH}
uniform float span; // from height 0 to 65535, mm
vec4 texel(ivec2 p) {
    ivec3 b = bytes(p);
    return vec4(0.0, 0.0, span * (float((b.r << 8) | b.g) / 65535.0 - 0.5), 1.0);
}`;

// The highest of each cell; then of all cells from which a shadow can come, along one side and along the
// other. It tells how far a shadow has to be looked for.
const LOWEST = "-1e4";
const HIGHEST = `#version 300 es
precision highp float;
uniform highp sampler2D relief;
out vec4 height;
void main() {
    ivec2 n = textureSize(relief, 0), from = ivec2(gl_FragCoord.xy) * ${CELL};
    float most = ${LOWEST};
    for (int j = 0; j < ${CELL}; j++)
        for (int i = 0; i < ${CELL}; i++) {
            vec4 r = texelFetch(relief, min(from + ivec2(i, j), n - 1), 0);
            if (r.a > 0.0) most = max(most, r.z / r.a);
        }
    height = vec4(most);
}`;

const SPREAD = `#version 300 es
precision highp float;
uniform highp sampler2D cells;
uniform ivec2 go;
uniform int reach;
out vec4 height;
void main() {
    ivec2 n = textureSize(cells, 0) - 1, p = ivec2(gl_FragCoord.xy);
    float most = ${LOWEST};
    for (int i = -reach; i <= reach; i++)
        most = max(most, texelFetch(cells, clamp(p + i * go, ivec2(0), n), 0).r);
    height = vec4(most);
}`;

const COPY = `#version 300 es
precision highp float;
in vec2 uv;
in vec2 where;
uniform sampler2D picture;
uniform vec3 edge[${EDGES}];
uniform int edges;
uniform bool isOver;
out vec4 colour;
void main() {
    for (int i = 0; i < edges; i++)
        if (dot(edge[i].xy, where) + edge[i].z < 0.0) discard;
    colour = texture(picture, uv);
    if (!isOver) colour.a = 1.0;
}`;

// Lambert's law for each lamp with the light falling off by the square of its distance; flat paint in
// the middle keeps its brightness as far as a gain of four allows.
const LIGHT = `#version 300 es
precision highp float;
in vec2 uv;
in vec2 where;
uniform highp sampler2D reliefA;
uniform highp sampler2D reliefB;
uniform sampler2D colourA;
uniform sampler2D colourB;
uniform vec3 lamp[${LAMPS}];
uniform int lamps;
uniform vec3 line;
uniform bool hasLine;
uniform vec4 gridA; // its corner, the size of a px of it (device px), px down
uniform vec4 gridB;
uniform vec4 frame; // left, top, right, bottom of the painting, device px
uniform highp sampler2D topA; // the highest from which a shadow can come, for each cell
uniform highp sampler2D topB;
uniform vec2 size;
uniform float mm;
uniform vec2 exaggeration;
uniform float gain;
uniform bool isShadowed;
uniform bool isPlain;
out vec4 outColour;
vec4 reliefAt(bool b, vec2 p) {
    vec4 g = b ? gridB : gridA;
    vec2 t = (p - g.xy) / g.z;
    t.y = g.w - t.y;
    if (b) return texture(reliefB, t / vec2(textureSize(reliefB, 0)));
    return texture(reliefA, t / vec2(textureSize(reliefA, 0)));
}
float topAt(bool b, vec2 p) {
    vec4 g = b ? gridB : gridA;
    vec2 t = (p - g.xy) / g.z;
    ivec2 c = ivec2(t.x, g.w - t.y) / ${CELL};
    return b ? texelFetch(topB, c, 0).r : texelFetch(topA, c, 0).r;
}
// Goes towards the lamp until nothing can be high enough any more.
float clearOf(bool b, vec2 p, float height, vec3 l) {
    float flat2 = length(l.xy);
    if (flat2 < 0.05) return 1.0;
    vec2 go = vec2(l.x, -l.y) / flat2;
    float rise = l.z / flat2 * mm, worst = 1.0, raise = b ? exaggeration.y : exaggeration.x;
    float reach = min(${REACH}.0, (topAt(b, p) + 0.001 - height) * raise / rise);
    if (reach < 0.5) return 1.0;
    int n = int(min(${STEPS}.0, 0.6 * reach + 3.0));
    for (int i = 1; i <= n; i++) {
        float t = float(i) / float(n), s = reach * t * t + 0.5;
        vec4 r = reliefAt(b, p + go * s);
        if (r.a < 0.5) continue;
        float over = (r.z / r.a - height) * raise - s * rise;
        worst = min(worst, 1.0 - over / (0.15 * s * rise + 0.002));
        if (worst <= 0.0) return 0.0;
    }
    return worst;
}
void main() {
    vec2 p = where;
    bool b = hasLine && dot(line.xy, p) > line.z;
    float rim = 0.5 * (b ? gridB.z : gridA.z);
    vec4 r = reliefAt(b, clamp(p, frame.xy + rim, frame.zw - rim));
    vec2 q = vec2(p.x, size.y - p.y) / size;
    vec4 seen = b ? texture(colourB, q) : texture(colourA, q);
    if (r.a < 0.5) {
        // No answer here: hatched, falling to the right.
        float band = mod(p.x - p.y, 14.0);
        outColour = vec4(band < 2.0 ? vec3(0.94) : band < 4.0 ? vec3(0.08) : seen.rgb * 0.6, 1.0);
        return;
    }
    vec2 n2 = r.xy / r.a;
    float z = sqrt(max(1.0 - dot(n2, n2), 0.01));
    vec3 n = normalize(vec3(n2 * (b ? exaggeration.y : exaggeration.x), z)), here;
    here = vec3((p.x - 0.5 * size.x) * mm, (0.5 * size.y - p.y) * mm, 0.0);
    float light = 0.0;
    for (int i = 0; i < lamps; i++) {
        vec3 d = lamp[i] - here;
        float far = length(d), near = length(lamp[i]);
        vec3 l = d / far;
        float lit = max(dot(n, l), 0.0) * near * near / (far * far);
        if (lit > 0.0 && isShadowed) lit *= clearOf(b, p, r.z / r.a, l);
        light += lit / float(lamps);
    }
    vec3 paint = isPlain || seen.a < 0.5 ? vec3(0.42)
        : mix(seen.rgb / 12.92, pow((seen.rgb + 0.055) / 1.055, vec3(2.4)), step(vec3(0.04045), seen.rgb));
    vec3 v = paint * (0.03 + light * gain);
    outColour = vec4(mix(12.92 * v, 1.055 * pow(max(v, vec3(1e-6)), vec3(1.0 / 2.4)) - 0.055,
                         step(vec3(0.0031308), v)), 1.0);
}`;

/** A program and where its settings are. @typedef {{p: WebGLProgram, at: Record<string, WebGLUniformLocation|null>}} Program */

/** @param {WebGL2RenderingContext} gl @param {string} fragment @returns {Program} */
function program(gl, fragment)
{
    const p = /** @type {WebGLProgram} */ (gl.createProgram());
    for (const [kind, text] of /** @type {[number, string][]} */ ([[gl.VERTEX_SHADER, CORNERS],
                                                                   [gl.FRAGMENT_SHADER, fragment]])) {
        const sh = /** @type {WebGLShader} */ (gl.createShader(kind));
        gl.shaderSource(sh, text);
        gl.compileShader(sh);
        gl.attachShader(p, sh);
        gl.deleteShader(sh);
    }
    gl.bindAttribLocation(p, 0, "at");
    gl.linkProgram(p);
    if (!gl.getProgramParameter(p, gl.LINK_STATUS) && !gl.isContextLost())
        throw new Error(`The lamp's drawing did not build: ${gl.getProgramInfoLog(p)}`);
    /** @type {Program["at"]} */
    const at = {}, n = gl.isContextLost() ? 0 : gl.getProgramParameter(p, gl.ACTIVE_UNIFORMS);
    for (let i = 0; i < n; i++) {
        const name = /** @type {WebGLActiveInfo} */ (gl.getActiveUniform(p, i)).name.replace("[0]", "");
        at[name] = gl.getUniformLocation(p, name);
    }
    return {p, at};
}

export class LampDrawing {
    /** @param {HTMLCanvasElement} canvas Throws when this browser cannot draw the lamp. */
    constructor(canvas)
    {
        const gl = canvas.getContext("webgl2", {alpha: true, antialias: false, depth: false,
                                                premultipliedAlpha: true});
        if (!gl || !gl.getExtension("EXT_color_buffer_float"))
            throw new Error("This browser cannot draw the lamp: it needs WebGL 2 with float buffers.");
        this.canvas = canvas;
        this.gl = gl;
        this.slopes = program(gl, SLOPES);
        this.heights = program(gl, HEIGHTS);
        this.highest = program(gl, HIGHEST);
        this.spread = program(gl, SPREAD);
        this.copy = program(gl, COPY);
        this.light = program(gl, LIGHT);
        const corners = gl.createBuffer();
        gl.bindBuffer(gl.ARRAY_BUFFER, corners);
        gl.bufferData(gl.ARRAY_BUFFER, new Float32Array([0, 0, 1, 0, 0, 1, 1, 1]), gl.STATIC_DRAW);
        gl.enableVertexAttribArray(0);
        gl.vertexAttribPointer(0, 2, gl.FLOAT, false, 0, 0);
        gl.pixelStorei(gl.UNPACK_PREMULTIPLY_ALPHA_WEBGL, false);
        gl.pixelStorei(gl.UNPACK_COLORSPACE_CONVERSION_WEBGL, gl.NONE);
        /** @type {Record<string, {texture: WebGLTexture, frame: WebGLFramebuffer, w: number, h: number}>} */
        this.buffer = {};
        /** @type {Record<string, Grid>} */
        this.grid = {A: {x: 0, y: 0, px: 1, w: 1, h: 1}, B: {x: 0, y: 0, px: 1, w: 1, h: 1}};
        for (const name of ["reliefA", "reliefB", "colourA", "colourB", "topA", "topB", "cells"])
            this.make(name, 1, 1);
        this.size = [0, 0];
    }

    /** A buffer of that size, unless there is one. @param {string} name @param {number} w @param {number} h */
    make(name, w, h)
    {
        const gl = this.gl, old = this.buffer[name];
        if (old && old.w === w && old.h === h)
            return;
        if (old) {
            gl.deleteTexture(old.texture);
            gl.deleteFramebuffer(old.frame);
        }
        const isRelief = name.startsWith("relief"), isFloat = !name.startsWith("colour"), texture = /** @type {WebGLTexture} */ (gl.createTexture());
        gl.bindTexture(gl.TEXTURE_2D, texture);
        gl.texStorage2D(gl.TEXTURE_2D, 1, isFloat ? gl.RGBA16F : gl.RGBA8, w, h);
        this.filter(isRelief ? gl.LINEAR : gl.NEAREST);
        const frame = /** @type {WebGLFramebuffer} */ (gl.createFramebuffer());
        gl.bindFramebuffer(gl.FRAMEBUFFER, frame);
        gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, gl.TEXTURE_2D, texture, 0);
        this.buffer[name] = {texture, frame, w, h};
    }

    /** @param {number} w @param {number} h device px */
    resize(w, h)
    {
        if (this.size[0] === w && this.size[1] === h)
            return;
        this.size = [w, h];
        this.canvas.width = w;
        this.canvas.height = h;
    }

    /** @param {number} how */
    filter(how)
    {
        const gl = this.gl;
        for (const [key, value] of [[gl.TEXTURE_MIN_FILTER, how], [gl.TEXTURE_MAG_FILTER, how],
                                    [gl.TEXTURE_WRAP_S, gl.CLAMP_TO_EDGE], [gl.TEXTURE_WRAP_T, gl.CLAMP_TO_EDGE]])
            gl.texParameteri(gl.TEXTURE_2D, key, value);
    }

    /** @param {ImageBitmap} bitmap @param {boolean} isPacked read byte by byte @returns {Tex} */
    upload(bitmap, isPacked)
    {
        const gl = this.gl, texture = /** @type {WebGLTexture} */ (gl.createTexture());
        this.bind(0, texture);
        gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA8, gl.RGBA, gl.UNSIGNED_BYTE, bitmap);
        this.filter(isPacked ? gl.NEAREST : gl.LINEAR);
        return {texture, w: bitmap.width, h: bitmap.height};
    }

    /** @param {Tex} t */
    drop(t)
    {
        this.gl.deleteTexture(t.texture);
    }

    /** @param {string} name of the buffer */
    clear(name)
    {
        const gl = this.gl, b = this.buffer[name];
        gl.bindFramebuffer(gl.FRAMEBUFFER, b.frame);
        gl.viewport(0, 0, b.w, b.h);
        gl.clearColor(0, 0, 0, 0);
        gl.clear(gl.COLOR_BUFFER_BIT);
    }

    /** @param {number} unit @param {WebGLTexture} texture */
    bind(unit, texture)
    {
        this.gl.activeTexture(this.gl.TEXTURE0 + unit);
        this.gl.bindTexture(this.gl.TEXTURE_2D, texture);
    }

    /** @param {Program} p @param {string} name of the buffer @param {Quad[]} quads @param {(q: any) => void} [each] */
    tiles(p, name, quads, each)
    {
        const gl = this.gl, b = this.buffer[name];
        gl.useProgram(p.p);
        gl.uniform2f(p.at.size, b.w, b.h);
        for (const q of quads) {
            this.bind(0, q.tex.texture);
            gl.uniform4f(p.at.place, q.x, q.y, q.w, q.h);
            each?.(q);
            gl.drawArrays(gl.TRIANGLE_STRIP, 0, 4);
        }
    }

    /** Lay out one side's relief; later quads lie over earlier ones.
     *  @param {"A"|"B"} side @param {Grid} grid @param {Quad[]} slopes @param {Quad[]} heights
     *  @param {number} span from the lowest to the highest, mm */
    layRelief(side, grid, slopes, heights, span)
    {
        const gl = this.gl, name = `relief${side}`, up = (/** @type {number} */ n) => GRAIN * Math.ceil(n / GRAIN);
        this.make(name, up(grid.w), up(grid.h));
        this.grid[side] = grid;
        this.clear(name);
        this.tiles(this.slopes, name, slopes);
        gl.colorMask(false, false, true, false);
        gl.enable(gl.BLEND);
        gl.blendFunc(gl.DST_ALPHA, gl.ZERO);
        gl.useProgram(this.heights.p);
        gl.uniform1f(this.heights.at.span, span);
        this.tiles(this.heights, name, heights);
        gl.disable(gl.BLEND);
        gl.colorMask(true, true, true, true);
        this.findTop(side, grid.px);
    }

    /** @param {"A"|"B"} side @param {number} px device px per px of the relief */
    findTop(side, px)
    {
        const gl = this.gl, {w, h} = this.buffer[`relief${side}`], name = `top${side}`;
        this.make(name, w / CELL, h / CELL);
        this.make("cells", w / CELL, h / CELL);
        const pass = (/** @type {Program} */ p, /** @type {string} */ from, /** @type {string} */ to) => {
            this.clear(to);
            gl.useProgram(p.p);
            this.bind(0, this.buffer[from].texture);
            gl.uniform2f(p.at.size, 1, 1);
            gl.uniform4f(p.at.place, 0, 0, 1, 1);
        };
        pass(this.highest, `relief${side}`, name);
        gl.drawArrays(gl.TRIANGLE_STRIP, 0, 4);
        for (const [from, to, x, y] of /** @type {[string, string, number, number][]} */ ([[name, "cells", 1, 0], ["cells", name, 0, 1]])) {
            pass(this.spread, from, to);
            gl.uniform2i(this.spread.at.go, x, y);
            gl.uniform1i(this.spread.at.reach, Math.ceil(REACH / px / CELL) + 1);
            gl.drawArrays(gl.TRIANGLE_STRIP, 0, 4);
        }
    }

    /** @param {"A"|"B"} side @param {ColourQuad[]} quads */
    layColour(side, quads)
    {
        const gl = this.gl, at = this.copy.at, name = `colour${side}`;
        this.make(name, this.size[0], this.size[1]);
        this.clear(name);
        gl.enable(gl.BLEND);
        gl.blendFuncSeparate(gl.SRC_ALPHA, gl.ONE_MINUS_SRC_ALPHA, gl.ONE, gl.ONE);
        this.tiles(this.copy, name, quads, (q) => {
            const edges = q.edges.slice(0, EDGES);
            gl.uniform1i(at.edges, edges.length);
            if (edges.length)
                gl.uniform3fv(at.edge, edges.flat());
            gl.uniform1i(at.isOver, q.isOver ? 1 : 0);
        });
        gl.disable(gl.BLEND);
    }

    /** Light what was laid out. @param {Light} l */
    shine(l)
    {
        const gl = this.gl, {p, at} = this.light, [w, h] = this.size;
        const lamps = l.lamps.slice(0, LAMPS), [x, y, z] = lamps[0];
        gl.bindFramebuffer(gl.FRAMEBUFFER, null);
        gl.viewport(0, 0, w, h);
        gl.useProgram(p);
        ["reliefA", "reliefB", "colourA", "colourB", "topA", "topB"].forEach((name, i) => {
            this.bind(i, this.buffer[name].texture);
            gl.uniform1i(at[name], i);
        });
        for (const side of ["A", "B"]) {
            const grid = this.grid[side];
            gl.uniform4f(at[`grid${side}`], grid.x, grid.y, grid.px, this.buffer[`relief${side}`].h);
        }
        gl.uniform2f(at.size, w, h);
        const [x0, y0, x1, y1] = l.frame.map(Math.round), cut = [Math.max(0, x0), Math.max(0, y0), Math.min(w, x1), Math.min(h, y1)];
        gl.clearColor(0, 0, 0, 0);
        gl.clear(gl.COLOR_BUFFER_BIT);
        if (cut[2] <= cut[0] || cut[3] <= cut[1])
            return;
        gl.uniform4f(at.frame, x0, y0, x1, y1);
        gl.uniform4f(at.place, cut[0], cut[1], cut[2] - cut[0], cut[3] - cut[1]);
        gl.uniform3fv(at.lamp, lamps.flat());
        gl.uniform1i(at.lamps, lamps.length);
        gl.uniform1i(at.hasLine, l.line ? 1 : 0);
        gl.uniform3fv(at.line, l.line ?? [0, 0, 0]);
        gl.uniform1f(at.mm, l.mm);
        gl.uniform2f(at.exaggeration, l.exaggeration[0], l.exaggeration[1]);
        gl.uniform1f(at.gain, Math.min(4, Math.hypot(x, y, z) / Math.max(z, 1e-6)));
        gl.uniform1i(at.isShadowed, l.isShadowed ? 1 : 0);
        gl.uniform1i(at.isPlain, l.isPlain ? 1 : 0);
        gl.drawArrays(gl.TRIANGLE_STRIP, 0, 4);
    }
}
