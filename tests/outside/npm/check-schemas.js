/*
 * Every schema compiles in strict mode; its examples are valid, and stop being
 * so when a required member is taken away or a value is of another type. The
 * configurations that the project ships fit config.schema.json.
 */
const fs = require('fs');
const path = require('path');
const { CONFIG, FOLDER, load, loadConfig, explain } = require('./schemas');

let checks = 0;
const faults = [];

function check(ok, what) {
    checks++;
    if (!ok)
        faults.push(what);
}

/* Each variant of value that lacks one member, at any depth. */
function* lacking(value) {
    if (value === null || typeof value !== 'object')
        return;
    for (const key of Object.keys(value)) {
        if (!Array.isArray(value)) {
            const { [key]: gone, ...rest } = value;
            yield [rest, key];
        }
        for (const [inner, where] of lacking(value[key])) {
            const copy = Array.isArray(value) ? [...value] : { ...value };
            copy[key] = inner;
            yield [copy, `${key}/${where}`];
        }
    }
}

function checkExamples(ajv, name, schema) {
    const validate = ajv.getSchema(schema.$id);
    for (const example of schema.examples || []) {
        check(validate(example), `${name}: example: ${explain(validate)}`);
        let refused = 0;
        for (const [variant] of lacking(example))
            refused += validate(variant) ? 0 : 1;
        check(refused > 0, `${name}: nothing is required in its example`);
        for (const wrong of [null, [], 1, 'x', {}])
            check(!validate(wrong), `${name} accepts ${JSON.stringify(wrong)}`);
    }
}

/* Everything under $defs compiles too, not only what the root reaches. */
function compileDefs(ajv, schema) {
    for (const key of Object.keys(schema.$defs || {})) {
        const ref = `${schema.$id}#/$defs/${key}`;
        const validate = ajv.getSchema(ref);
        check(typeof validate === 'function', `${ref} does not compile`);
    }
}

function checkConfigs() {
    const validate = loadConfig();
    const top = path.join(FOLDER, '..', '..');
    for (const name of ['config/heatgate.example.json']) {
        const config = JSON.parse(fs.readFileSync(path.join(top, name)));
        check(validate(config), `${name}: ${explain(validate)}`);
        const broken = structuredClone(config);
        Object.values(broken.rooms)[0].heater_kw = 'six';
        check(!validate(broken), `${name} with a wrong type is accepted`);
    }
}

function words(file, pattern) {
    const text = fs.readFileSync(path.join(FOLDER, '..', '..', file), 'utf8');
    return [...text.matchAll(pattern)].map((match) => match[1]);
}

/* Lists of words are the program's own, no more and no fewer. */
function checkWords(schemas) {
    const defs = schemas['common.schema.json'].$defs;
    const reasons = words('include/heatgate/reasons.h',
        /^ {4}X\(\w+, "([a-z-]+)"/gm);
    const records = words('include/heatgate/gate.h',
        /^ {4}X\(\w+, "([a-z-]+)"\)/gm);
    const kinds = [...words('src/service/kinds.h',
        /^#define HG_KIND_\w+\s+"([a-z-]+)"/gm),
    ...words('src/service/record.c',
        /case HG_KIND_\w+:\s+return "([a-z-]+)"/g)];
    const methods = Object.keys(schemas['methods.schema.json'].$defs)
        .filter((name) => name.endsWith('.params'))
        .map((name) => name.slice(0, -'.params'.length));
    const same = (what, one, other) => check(one.length > 0 &&
        JSON.stringify([...new Set(one)].sort()) ===
        JSON.stringify([...new Set(other)].sort()),
    `${what}: only one of program and schema has ` +
        [...one.filter((word) => !other.includes(word)),
            ...other.filter((word) => !one.includes(word))].join(', '));
    same('reasons', reasons, defs.reason_code.enum);
    const notices = words('src/service/commission_room.c',
        /HG_LEVEL_WARNING, "([a-z-]+)"/g);
    notices.push(...words('src/service/kinds.h',
        /#define HG_CODE_\w+ +"([a-z-]+)"/g));
    same('notices', [...reasons, ...records, ...notices],
        defs.notice_code.enum);
    same('kinds of records', [...records, ...kinds], defs.record_kind.enum);
    same('phases of a step', words('src/service/commission_json.c',
        /\[HG_COM_PHASE_\w+\] = "([a-z-]+)"/g),
    schemas['commission.schema.json'].$defs.step.properties.waits_for.enum);
    same('methods', words('src/api/methods.c',
        /^ {4}M\(\w+, "([a-z.]+)"/gm), methods);
}

const { ajv, schemas, names } = load({ closed: false });
for (const name of names.filter((name) => name !== CONFIG)) {
    const schema = schemas[name];
    check(typeof ajv.getSchema(schema.$id) === 'function',
        `${name} does not compile`);
    check(schema.$id === name,
        `${name}: $id is to be relative, its own name`);
    compileDefs(ajv, schema);
    checkExamples(ajv, name, schema);
}
checkConfigs();
checkWords(schemas);
faults.forEach((fault) => console.error(fault));
console.log(`schemas: ${names.length} files, ${checks} checks, ` +
    `${faults.length} faults`);
process.exit(faults.length === 0 ? 0 : 1);
