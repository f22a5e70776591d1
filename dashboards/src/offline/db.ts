/** The browser's own store: log entries that wait to be sent, and what the service last said. */

export interface Stores {
  queue: "queue";
  said: "said";
}
type StoreName = keyof Stores;

let opened: Promise<IDBDatabase> | undefined;

function database(): Promise<IDBDatabase> {
  opened ??= new Promise((resolve, reject) => {
    const request = indexedDB.open("underlid", 1);
    request.onupgradeneeded = () => {
      request.result.createObjectStore("queue", { keyPath: "n", autoIncrement: true });
      request.result.createObjectStore("said", { keyPath: "key" });
    };
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
  return opened;
}

/** Runs one request in a transaction of its own; resolves once that is on disk. */
async function run<Result>(store: StoreName, mode: IDBTransactionMode, ask: (s: IDBObjectStore) => IDBRequest<Result>): Promise<Result> {
  const transaction = (await database()).transaction(store, mode, { durability: "strict" });
  const request = ask(transaction.objectStore(store));
  return new Promise((resolve, reject) => {
    transaction.oncomplete = () => resolve(request.result);
    transaction.onabort = () => reject(transaction.error);
  });
}

export const put = (store: StoreName, value: object): Promise<IDBValidKey> => run(store, "readwrite", (s) => s.put(value));
export const remove = (store: StoreName, key: IDBValidKey): Promise<undefined> => run(store, "readwrite", (s) => s.delete(key));
/** In the order of their keys. */
export const all = <Item>(store: StoreName): Promise<Item[]> => run(store, "readonly", (s) => s.getAll() as IDBRequest<Item[]>);
export const get = <Item>(store: StoreName, key: IDBValidKey): Promise<Item | undefined> =>
  run(store, "readonly", (s) => s.get(key) as IDBRequest<Item | undefined>);
export const clear = (store: StoreName): Promise<undefined> => run(store, "readwrite", (s) => s.clear());
