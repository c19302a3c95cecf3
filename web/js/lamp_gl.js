// The lamp's drawing: relief and colour of what is in sight are laid out once into buffers of the
// canvas's size (only when the picture moves), then lit pixel by pixel (each time the lamp moves).
/**
 * @typedef {{texture: WebGLTexture, w: number, h: number}} Tex
 * @typedef {{x: number, y: number, w: number, h: number, normals: Tex, height: Tex|null}} ReliefQuad
 *   where a tile lies, device px from the top left, and its packed pictures
 * @typedef {{x: number, y: number, w: number, h: number, colour: Tex}} ColourQuad
 * @typedef {object} Light
 * @property {[number, number, number][]} lamps   where they are, mm from the middle of the canvas; x right,
 *   y up, z to the viewer
 * @property {number} mm           mm per device px
 * @property {[number, number]} exaggeration of slopes and heights of the two sides; 1 = as measured
 * @property {boolean} isShadowed  ridges throw shadows
 * @property {boolean} isPlain     without the picture's colours
 * @property {[number, number, number]|null} line nx, ny, c: side B where nx x + ny y > c (device px, y down)
 */

const LAMPS = 7;
const STEPS = 40; // along a shadow
const REACH = 96; // of a shadow, device px

const CORNERS = `#version 300 es
in vec2 at; // 0..1
uniform vec4 place; // x, y, w, h in device px
uniform vec2 size;  // of the canvas
out vec2 uv;
void main() {
    vec2 p = place.xy + at * place.zw;
    uv = at;
    gl_Position = vec4(2.0 * p.x / size.x - 1.0, 1.0 - 2.0 * p.y / size.y, 0.0, 1.0);
}`;

// Twelve bits for each of n_x and n_y, sixteen for the height: interpolated after decoding, since a
// mixture of packed bytes means nothing. Black is no data.
const UNPACK = `#version 300 es
precision highp float;
in vec2 uv;
uniform highp sampler2D normals;
uniform highp sampler2D heights;
uniform vec2 range; // height of 0 and of 65535, mm
uniform bool hasHeight;
out vec4 relief; // n_x, n_y, height mm, share that has data
vec4 texel(ivec2 p) {
    ivec3 b = ivec3(texelFetch(normals, p, 0).rgb * 255.0 + 0.5);
    if (b == ivec3(0)) return vec4(0.0);
    float x = float((b.r << 4) | (b.g >> 4)), y = float(((b.g & 15) << 8) | b.b), z = 0.0;
    if (hasHeight) {
        ivec3 h = ivec3(texelFetch(heights, p, 0).rgb * 255.0 + 0.5);
        z = mix(range.x, range.y, float((h.r << 8) | h.g) / 65535.0);
    }
    return vec4(x / 2047.5 - 1.0, y / 2047.5 - 1.0, z, 1.0);
}
void main() {
    ivec2 n = textureSize(normals, 0);
    vec2 p = clamp(uv * vec2(n) - 0.5, vec2(0.0), vec2(n - 1));
    ivec2 a = ivec2(p), b = min(a + 1, n - 1);
    vec2 f = p - vec2(a);
    relief = mix(mix(texel(a), texel(ivec2(b.x, a.y)), f.x),
                 mix(texel(ivec2(a.x, b.y)), texel(b), f.x), f.y);
}`;

const COPY = `#version 300 es
precision mediump float;
in vec2 uv;
uniform sampler2D picture;
out vec4 colour;
void main() { colour = vec4(texture(picture, uv).rgb, 1.0); }`;

// Lambert's law for each lamp with the light falling off by the square of its distance; flat paint in
// the middle keeps its brightness as far as a gain of four allows.
const LIGHT = `#version 300 es
precision highp float;
in vec2 uv;
uniform highp sampler2D reliefA;
uniform highp sampler2D reliefB;
uniform sampler2D colourA;
uniform sampler2D colourB;
uniform vec3 lamp[${LAMPS}];
uniform int lamps;
uniform vec3 line;
uniform bool hasLine;
uniform vec2 size;
uniform float mm;
uniform vec2 exaggeration;
uniform float gain;
uniform bool isShadowed;
uniform bool isPlain;
out vec4 outColour;
vec4 reliefAt(bool b, vec2 p) {
    vec2 q = vec2(p.x, size.y - p.y) / size;
    return b ? texture(reliefB, q) : texture(reliefA, q);
}
float clearOf(bool b, vec2 p, float height, vec3 l) {
    float flat2 = length(l.xy);
    if (flat2 < 0.05) return 1.0;
    vec2 go = vec2(l.x, -l.y) / flat2;
    float rise = l.z / flat2 * mm, worst = 1.0;
    for (int i = 1; i <= ${STEPS}; i++) {
        float t = float(i) / ${STEPS}.0, s = ${REACH}.0 * t * t + 0.5;
        vec2 q = p + go * s;
        if (q.x < 0.0 || q.y < 0.0 || q.x >= size.x || q.y >= size.y) break;
        vec4 r = reliefAt(b, q);
        float over = (r.z - height) * (b ? exaggeration.y : exaggeration.x) - s * rise;
        worst = min(worst, 1.0 - over / (0.15 * s * rise + 0.002));
    }
    return clamp(worst, 0.0, 1.0);
}
void main() {
    vec2 p = uv * size; // y down
    bool b = hasLine && dot(line.xy, p) > line.z;
    vec4 r = reliefAt(b, p);
    vec2 q = vec2(p.x, size.y - p.y) / size;
    vec4 seen = b ? texture(colourB, q) : texture(colourA, q);
    if (r.a < 0.5) {
        if (seen.a < 0.5) { outColour = vec4(0.0); return; }
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
    vec3 paint = isPlain || seen.a < 0.5 ? vec3(0.42) : pow(seen.rgb, vec3(2.2));
    vec3 v = paint * (0.03 + light * gain);
    outColour = vec4(mix(12.92 * v, 1.055 * pow(max(v, vec3(1e-6)), vec3(1.0 / 2.4)) - 0.055,
                         step(vec3(0.0031308), v)), 1.0);
}`;

/** @param {WebGL2RenderingContext} gl @param {string} fragment @returns {WebGLProgram} */
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
    return p;
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
        this.unpack = program(gl, UNPACK);
        this.copy = program(gl, COPY);
        this.light = program(gl, LIGHT);
        const corners = gl.createBuffer();
        gl.bindBuffer(gl.ARRAY_BUFFER, corners);
        gl.bufferData(gl.ARRAY_BUFFER, new Float32Array([0, 0, 1, 0, 0, 1, 1, 1]), gl.STATIC_DRAW);
        gl.enableVertexAttribArray(0);
        gl.vertexAttribPointer(0, 2, gl.FLOAT, false, 0, 0);
        gl.pixelStorei(gl.UNPACK_PREMULTIPLY_ALPHA_WEBGL, false);
        gl.pixelStorei(gl.UNPACK_COLORSPACE_CONVERSION_WEBGL, gl.NONE);
        /** @type {Record<string, {texture: WebGLTexture, frame: WebGLFramebuffer}>} */
        this.buffer = {};
        this.size = [0, 0];
    }

    /** @param {number} w @param {number} h device px */
    resize(w, h)
    {
        const gl = this.gl;
        if (this.size[0] === w && this.size[1] === h)
            return;
        this.size = [w, h];
        this.canvas.width = w;
        this.canvas.height = h;
        for (const b of Object.values(this.buffer)) {
            gl.deleteTexture(b.texture);
            gl.deleteFramebuffer(b.frame);
        }
        for (const name of ["reliefA", "reliefB", "colourA", "colourB"]) {
            const texture = /** @type {WebGLTexture} */ (gl.createTexture());
            gl.bindTexture(gl.TEXTURE_2D, texture);
            gl.texStorage2D(gl.TEXTURE_2D, 1, name.startsWith("relief") ? gl.RGBA16F : gl.RGBA8, w, h);
            this.filter(gl.NEAREST);
            const frame = /** @type {WebGLFramebuffer} */ (gl.createFramebuffer());
            gl.bindFramebuffer(gl.FRAMEBUFFER, frame);
            gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, gl.TEXTURE_2D, texture, 0);
            this.buffer[name] = {texture, frame};
        }
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
        gl.bindTexture(gl.TEXTURE_2D, texture);
        gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA8, gl.RGBA, gl.UNSIGNED_BYTE, bitmap);
        this.filter(isPacked ? gl.NEAREST : gl.LINEAR);
        return {texture, w: bitmap.width, h: bitmap.height};
    }

    /** @param {Tex} t */
    drop(t)
    {
        this.gl.deleteTexture(t.texture);
    }

    /** @param {WebGLProgram} p @param {string} name */
    at(p, name)
    {
        return this.gl.getUniformLocation(p, name);
    }

    /** @param {string} name of the buffer @param {WebGLProgram} p */
    begin(name, p)
    {
        const gl = this.gl;
        gl.bindFramebuffer(gl.FRAMEBUFFER, this.buffer[name].frame);
        gl.viewport(0, 0, this.size[0], this.size[1]);
        gl.clearColor(0, 0, 0, 0);
        gl.clear(gl.COLOR_BUFFER_BIT);
        gl.useProgram(p);
        gl.uniform2f(this.at(p, "size"), this.size[0], this.size[1]);
    }

    /** @param {number} unit @param {WebGLTexture} texture */
    bind(unit, texture)
    {
        this.gl.activeTexture(this.gl.TEXTURE0 + unit);
        this.gl.bindTexture(this.gl.TEXTURE_2D, texture);
    }

    /** Lay out one side's relief; later quads lie over earlier ones.
     *  @param {"A"|"B"} side @param {ReliefQuad[]} quads @param {[number, number]} range mm */
    layRelief(side, quads, range)
    {
        const gl = this.gl, p = this.unpack;
        this.begin(`relief${side}`, p);
        gl.uniform1i(this.at(p, "normals"), 0);
        gl.uniform1i(this.at(p, "heights"), 1);
        gl.uniform2f(this.at(p, "range"), range[0], range[1]);
        for (const q of quads) {
            this.bind(0, q.normals.texture);
            this.bind(1, (q.height ?? q.normals).texture);
            gl.uniform1i(this.at(p, "hasHeight"), q.height ? 1 : 0);
            gl.uniform4f(this.at(p, "place"), q.x, q.y, q.w, q.h);
            gl.drawArrays(gl.TRIANGLE_STRIP, 0, 4);
        }
    }

    /** @param {"A"|"B"} side @param {ColourQuad[]} quads */
    layColour(side, quads)
    {
        const gl = this.gl, p = this.copy;
        this.begin(`colour${side}`, p);
        gl.uniform1i(this.at(p, "picture"), 0);
        for (const q of quads) {
            this.bind(0, q.colour.texture);
            gl.uniform4f(this.at(p, "place"), q.x, q.y, q.w, q.h);
            gl.drawArrays(gl.TRIANGLE_STRIP, 0, 4);
        }
    }

    /** Light what was laid out. @param {Light} l */
    shine(l)
    {
        const gl = this.gl, p = this.light;
        const lamps = l.lamps.slice(0, LAMPS), [x, y, z] = lamps[0];
        gl.bindFramebuffer(gl.FRAMEBUFFER, null);
        gl.viewport(0, 0, this.size[0], this.size[1]);
        gl.useProgram(p);
        ["reliefA", "reliefB", "colourA", "colourB"].forEach((name, i) => {
            this.bind(i, this.buffer[name].texture);
            gl.uniform1i(this.at(p, name), i);
        });
        gl.uniform2f(this.at(p, "size"), this.size[0], this.size[1]);
        gl.uniform4f(this.at(p, "place"), 0, 0, this.size[0], this.size[1]);
        gl.uniform3fv(this.at(p, "lamp"), lamps.flat());
        gl.uniform1i(this.at(p, "lamps"), lamps.length);
        gl.uniform1i(this.at(p, "hasLine"), l.line ? 1 : 0);
        gl.uniform3fv(this.at(p, "line"), l.line ?? [0, 0, 0]);
        gl.uniform1f(this.at(p, "mm"), l.mm);
        gl.uniform2f(this.at(p, "exaggeration"), l.exaggeration[0], l.exaggeration[1]);
        gl.uniform1f(this.at(p, "gain"), Math.min(4, Math.hypot(x, y, z) / Math.max(z, 1e-6)));
        gl.uniform1i(this.at(p, "isShadowed"), l.isShadowed ? 1 : 0);
        gl.uniform1i(this.at(p, "isPlain"), l.isPlain ? 1 : 0);
        gl.drawArrays(gl.TRIANGLE_STRIP, 0, 4);
    }
}
