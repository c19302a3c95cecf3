// What a PNG file needs beside its rows. Node 20 has no crc32 of its own.
import {deflateSync} from "node:zlib";

const TABLE = Array.from({length: 256}, (_, n) => {
    for (let k = 0; k < 8; k++)
        n = n & 1 ? 0xedb88320 ^ (n >>> 1) : n >>> 1;
    return n >>> 0;
});

/** CRC-32 of the PNG specification (ISO/IEC 15948), annex D. @param {Buffer} bytes */
export function crc32(bytes)
{
    let c = 0xffffffff;
    for (const b of bytes)
        c = TABLE[(c ^ b) & 255] ^ (c >>> 8);
    return (c ^ 0xffffffff) >>> 0;
}

/** A PNG of 8-bit rows, each led by its filter byte 0. @param {number} w @param {number} h
 *  @param {Buffer} rows @param {number} [bands] 3 or 4 */
export function pngOf(w, h, rows, bands = 3)
{
    /** @param {string} type @param {Buffer} data */
    const chunk = (type, data) => {
        const body = Buffer.concat([Buffer.from(type), data]), out = Buffer.alloc(8);
        out.writeUInt32BE(data.length, 0);
        out.writeUInt32BE(crc32(body), 4);
        return Buffer.concat([out.subarray(0, 4), body, out.subarray(4)]);
    };
    const head = Buffer.alloc(13);
    head.writeUInt32BE(w, 0);
    head.writeUInt32BE(h, 4);
    head.set([8, bands === 4 ? 6 : 2, 0, 0, 0], 8);
    return Buffer.concat([Buffer.from("89504e470d0a1a0a", "hex"), chunk("IHDR", head),
                          chunk("IDAT", deflateSync(rows, {level: 1})), chunk("IEND", Buffer.alloc(0))]);
}
