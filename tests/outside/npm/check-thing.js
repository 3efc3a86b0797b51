/*
 * A served Thing Description by the validator of the WoT community, offline
 * (checkJsonLd: false), and the template as a Thing Model by the same. A
 * description that was broken on purpose must not pass.
 *
 *   node check-thing.js SERVED.json
 */
const fs = require('fs');
const { tdValidator, tmValidator } =
    require('@thing-description-playground/core');
const { read } = require('./schemas');

const faults = [];

async function judge(validator, text) {
    const log = [];
    const { report, details } = await validator(text,
        (line) => log.push(String(line)),
        { checkDefaults: true, checkJsonLd: false });
    const failed = Object.entries({ ...report, ...details })
        .filter(([, result]) => result === 'failed').map(([name]) => name);
    return { failed, log, passed: Object.values({ ...report, ...details })
        .filter((result) => result === 'passed').length };
}

async function check(name, validator, text) {
    const { failed, log, passed } = await judge(validator, text);
    if (failed.length > 0)
        faults.push(`${name}: ${failed.join(', ')}: ${log.join(' ')}`);
    console.log(`${name}: ${passed} checks of the validator passed`);
    return passed;
}

async function mustFail(what, thing, change) {
    const copy = structuredClone(thing);
    change(copy);
    if ((await judge(tdValidator, JSON.stringify(copy))).failed.length === 0)
        faults.push(`the validator accepts a Thing ${what}`);
}

async function main() {
    const text = fs.readFileSync(process.argv[2], 'utf8');
    const thing = JSON.parse(text);
    if (await check('served', tdValidator, text) === 0)
        faults.push('the validator checked nothing');
    await check('template', tmValidator,
        JSON.stringify(read('thing-description.template.json')));
    await mustFail('without a title', thing, (td) => delete td.title);
    await mustFail('of unknown security', thing,
        (td) => { td.security = ['no_sc']; });
    await mustFail('whose action has no form', thing,
        (td) => { td.actions['heat.stop'].forms = []; });
    faults.forEach((fault) => console.error(fault));
    console.log(`thing: ${faults.length} faults`);
    process.exit(faults.length === 0 ? 0 : 1);
}

main();
