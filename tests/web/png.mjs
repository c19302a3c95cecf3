// What a PNG file needs beside its rows. Node 20 has no crc32 of its own.
export {deflateSync} from "node:zlib";

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
