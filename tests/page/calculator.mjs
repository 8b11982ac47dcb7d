// Answers requests with the calculator's module, as the page does.
//
//   node calculator.mjs MODULE.wasm REQUESTS.json ANSWERS.json
import { readFileSync, writeFileSync } from "node:fs";

const [module, requests, answers] = process.argv.slice(2);
const { instance: { exports } } = await WebAssembly.instantiate(readFileSync(module), {});
const ask = (request) => {
  const text = new TextEncoder().encode(JSON.stringify(request));
  const at = exports.input(text.length);
  new Uint8Array(exports.memory.buffer, at, text.length).set(text);
  const length = exports.answer();
  return JSON.parse(new TextDecoder().decode(new Uint8Array(exports.memory.buffer, exports.output(), length)));
};
writeFileSync(answers, JSON.stringify(JSON.parse(readFileSync(requests, "utf8")).map(ask)));
