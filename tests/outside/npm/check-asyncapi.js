/*
 * asyncapi.json by the parser of the AsyncAPI Initiative: no diagnostic of
 * severity 0 (it returns a document even then). Every message has examples,
 * and each fits its payload in ajv, too, for the parser leaves schemas of
 * 2020-12 to others. A document that was broken on purpose must not pass.
 */
const path = require('path');
const { Parser } = require('@asyncapi/parser');
const { FOLDER, load, read, explain } = require('./schemas');

const FILE = path.join(FOLDER, 'asyncapi.json');
const faults = [];
const { ajv } = load({ closed: true });

async function diagnose(text) {
    const { document, diagnostics } = await new Parser()
        .parse(text, { source: FILE });
    return { document, errors: diagnostics.filter((d) => d.severity === 0),
        others: diagnostics.filter((d) => d.severity !== 0) };
}

/* References to our files, as ajv knows them by $id. */
function local(payload) {
    return JSON.parse(JSON.stringify(payload)
        .replaceAll('"$ref":"./', '"$ref":"'));
}

function checkExamples(doc) {
    let count = 0;
    for (const [name, message] of Object.entries(doc.components.messages)) {
        const validate = ajv.compile(local(message.payload));
        if (message.examples.length === 0)
            faults.push(`${name} has no example`);
        for (const example of message.examples) {
            count++;
            if (!validate(example.payload))
                faults.push(`${name}: ${example.name}: ${explain(validate)}`);
        }
        if (validate({}) || validate(null))
            faults.push(`${name}: an empty message is accepted`);
    }
    return count;
}

async function main() {
    const doc = read('asyncapi.json');
    const { document, errors, others } = await diagnose(JSON.stringify(doc));
    errors.forEach((d) => faults.push(`${d.path.join('/')}: ${d.message}`));
    others.forEach((d) => console.log(`note: ${d.path.join('/')}: ` +
        d.message));
    if (document === undefined)
        faults.push('no document');
    const examples = checkExamples(doc);

    const broken = structuredClone(doc);
    broken.operations.sendPermit.action = 'shout';
    const wrongly = await diagnose(JSON.stringify(broken));
    if (wrongly.errors.length === 0)
        faults.push('the parser accepts a wrong operation');

    faults.forEach((fault) => console.error(fault));
    console.log(`asyncapi: ${document?.channels().length} channels, ` +
        `${document?.operations().length} operations, ${examples} examples, ` +
        `${faults.length} faults`);
    process.exit(faults.length === 0 ? 0 : 1);
}

main();
