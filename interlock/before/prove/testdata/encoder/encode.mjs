// Reads one message a line, as JSON, and writes its version 2 frame a line, as
// hex. A line stays empty where this library does not know the message.
//
//   node encode.mjs FOLDER     (the folder with node_modules)
import { createInterface } from 'node:readline';
import { createRequire } from 'node:module';
import { join } from 'node:path';

const mavlink = createRequire(join(process.argv[2], 'package.json'))('node-mavlink');

const kinds = new Map();
for (const dialect of [mavlink.minimal, mavlink.standard, mavlink.common]) {
  for (const [id, kind] of Object.entries(dialect.REGISTRY)) kinds.set(Number(id), kind);
}

// Numbers come as text: a float as the bits of its 64-bit form, so that what is
// not a number gets through.
function value(text, type) {
  if (type.startsWith('char')) return text;
  if (type.startsWith('float') || type.startsWith('double')) {
    const bits = Buffer.alloc(8);
    bits.writeBigUInt64LE(BigInt(text));
    return bits.readDoubleLE();
  }
  return type.includes('64') ? BigInt(text) : Number(text);
}

const out = [];
for await (const line of createInterface({ input: process.stdin })) {
  const { id, system, component, seq, fields } = JSON.parse(line);
  const kind = kinds.get(id);
  if (!kind) {
    out.push('');
    continue;
  }
  const message = new kind();
  for (const f of kind.FIELDS) {
    const given = fields[f.source.replaceAll('_', '')];
    if (given === undefined) throw new Error(`message ${id} has no field ${f.source}`);
    message[f.name] = Array.isArray(given) ? given.map((v) => value(v, f.type)) : value(given, f.type);
  }
  out.push(new mavlink.MavLinkProtocolV2(system, component).serialize(message, seq).toString('hex'));
}
process.stdout.write(out.join('\n') + '\n');
