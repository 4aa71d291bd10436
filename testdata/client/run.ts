// What a lab system does, with the generated client: set a context, ask for readings, list weighings page by page, follow them with a
// break in between, and wait for the next. It prints one JSON object, which the test looks at.
import { client } from './client/client.gen';
import { changeContext, followWeighings, getWeighing, listWeighings, nextWeighing, readBalance, setContext } from './client/sdk.gen';
import type { Weighing } from './client/types.gen';

declare const process: { argv: string[]; exit(code: number): never };
declare const console: { log(text: string): void; error(what: unknown): void };

const [, , base, token] = process.argv;
client.setConfig({ baseUrl: base, auth: () => token });
const balance = { path: { id: 'b-1' } };

async function read(key: string): Promise<string> {
    const { data } = await readBalance({ ...balance, body: { record: true }, headers: { 'Idempotency-Key': key }, throwOnError: true });
    if (!data.recorded) throw new Error('it was not recorded');
    return data.recorded;
}

async function pages(): Promise<string[]> {
    const ids: string[] = [];
    for (let cursor: string | undefined; ; ) {
        const { data } = await listWeighings({ query: { limit: '2', cursor }, throwOnError: true });
        ids.push(...data.weighings.map((w: Weighing) => w.id));
        if (!data.next) return ids;
        cursor = data.next;
    }
}

// follow gives the ids of so many weighings, and the id of the last event.
async function follow(n: number, query: { after?: string }, last?: string): Promise<{ ids: string[]; last: string }> {
    const end = new AbortController();
    const ids: string[] = [];
    const { stream } = await followWeighings({
        query,
        headers: last ? { 'Last-Event-ID': last } : {},
        signal: end.signal,
        onSseEvent: (event: { id?: string }) => { last = event.id ?? last; },
    });
    for await (const event of stream) {
        const w = event as unknown as Partial<Weighing>;
        if (w.schema && w.id) ids.push(w.id);
        if (ids.length === n) break;
    }
    end.abort();
    return { ids, last: last ?? '' };
}

async function main(): Promise<void> {
    const begin = await nextWeighing({ ...balance, query: {}, throwOnError: true });
    await setContext({ ...balance, body: { sample: { id: 'LOT-1003' } }, throwOnError: true });
    await changeContext({ ...balance, body: { lot: { id: '1003' } }, throwOnError: true });
    const recorded = [await read('one'), await read('two'), await read('three')];
    const again = await read('two');
    const first = await follow(2, { after: '0' });
    const late = read('four');
    const second = await follow(2, {}, first.last);
    recorded.push(await late);
    const next = await nextWeighing({ ...balance, query: { after: begin.data.cursor }, throwOnError: true });
    const refused = await readBalance({ path: { id: 'b-9' }, body: {} });
    const [site, incarnation, id, number] = recorded[0].split('/');
    const one = await getWeighing({ path: { site, incarnation, balance: id, number }, throwOnError: true });
    console.log(JSON.stringify({
        recorded, again, pages: await pages(), streamed: [...first.ids, ...second.ids], next: next.data.weighing?.id,
        sample: one.data.context.sample?.id, digits: one.data.value.digits, status: refused.error?.status,
    }));
    process.exit(0);
}

main().catch((e) => { console.error(e); process.exit(1); });
