#include "fault_vfs.h"

#include <sqlite3.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "base/err.h"

#define SECTOR 512
#define FILES 8

enum kind { WRITE, TRUNCATE, SYNC, DELETE };

struct step {
    enum kind kind;
    char name[64];
    int64_t at; // offset, or new size
    int bytes;
    unsigned char *data;
};

// Test-only, one per process by nature: SQLite has one default door.
static sqlite3_vfs shim;
static sqlite3_vfs *real_vfs;
static long fail_left = -1;
static int fail_code;
static bool fail_lasting, has_failed, is_filming;
static struct step *film;
static size_t film_n, film_room;

static bool refuses(void)
{
    if (fail_left < 0 || fail_left-- > 0) {
        return false;
    }
    has_failed = true;
    fail_left = fail_lasting ? 0 : -1;
    return true;
}

void fault_vfs_fail_at(long n, int code, bool is_lasting)
{
    fail_left = n;
    fail_code = code;
    fail_lasting = is_lasting;
    has_failed = false;
}

bool fault_vfs_has_failed(void)
{
    return has_failed;
}

static const char *last_part(const char *path)
{
    const char *slash = strrchr(path, '/');
    return slash ? slash + 1 : path;
}

static void take(enum kind kind, const char *name, int64_t at, const void *data, int bytes)
{
    struct step *s;
    if (!is_filming) {
        return;
    }
    if (film_n == film_room) {
        film_room = film_room ? film_room * 2 : 256;
        film = realloc(film, film_room * sizeof *film);
        hc_assert(film);
    }
    s = &film[film_n++];
    *s = (struct step){.kind = kind, .at = at, .bytes = bytes};
    snprintf(s->name, sizeof s->name, "%s", name);
    if (bytes) {
        s->data = malloc((size_t)bytes);
        hc_assert(s->data);
        memcpy(s->data, data, (size_t)bytes);
    }
}

// ---- the files SQLite sees

struct shim_file {
    sqlite3_file base;
    sqlite3_file *real; // behind this struct in the same block
    char name[64];
};

static struct shim_file *mine(sqlite3_file *f)
{
    return (struct shim_file *)(void *)f;
}

static sqlite3_file *real_of(sqlite3_file *f)
{
    return mine(f)->real;
}

static int do_close(sqlite3_file *f)
{
    return real_of(f)->pMethods->xClose(real_of(f));
}

static int do_read(sqlite3_file *f, void *p, int n, sqlite3_int64 at)
{
    return real_of(f)->pMethods->xRead(real_of(f), p, n, at);
}

static int do_write(sqlite3_file *f, const void *p, int n, sqlite3_int64 at)
{
    int rc = refuses() ? fail_code : real_of(f)->pMethods->xWrite(real_of(f), p, n, at);
    if (rc == SQLITE_OK) {
        take(WRITE, mine(f)->name, at, p, n);
    }
    return rc;
}

static int do_truncate(sqlite3_file *f, sqlite3_int64 size)
{
    int rc = refuses() ? fail_code : real_of(f)->pMethods->xTruncate(real_of(f), size);
    if (rc == SQLITE_OK) {
        take(TRUNCATE, mine(f)->name, size, NULL, 0);
    }
    return rc;
}

static int do_sync(sqlite3_file *f, int flags)
{
    int rc = refuses() ? fail_code : real_of(f)->pMethods->xSync(real_of(f), flags);
    if (rc == SQLITE_OK) {
        take(SYNC, mine(f)->name, 0, NULL, 0);
    }
    return rc;
}

static int do_size(sqlite3_file *f, sqlite3_int64 *size)
{
    return real_of(f)->pMethods->xFileSize(real_of(f), size);
}

static int do_lock(sqlite3_file *f, int level)
{
    return real_of(f)->pMethods->xLock(real_of(f), level);
}

static int do_unlock(sqlite3_file *f, int level)
{
    return real_of(f)->pMethods->xUnlock(real_of(f), level);
}

static int do_check_lock(sqlite3_file *f, int *out)
{
    return real_of(f)->pMethods->xCheckReservedLock(real_of(f), out);
}

static int do_control(sqlite3_file *f, int op, void *arg)
{
    return real_of(f)->pMethods->xFileControl(real_of(f), op, arg);
}

static int do_sector(sqlite3_file *f)
{
    return real_of(f)->pMethods->xSectorSize(real_of(f));
}

// The real file system may promise what the film does not keep (a sector that is not torn), so that
// nothing is promised here.
static int do_traits(sqlite3_file *f)
{
    (void)f;
    return 0;
}

static int do_shm_map(sqlite3_file *f, int page, int size, int extend, void volatile **out)
{
    if (refuses()) {
        *out = NULL;
        return fail_code;
    }
    return real_of(f)->pMethods->xShmMap(real_of(f), page, size, extend, out);
}

static int do_shm_lock(sqlite3_file *f, int at, int n, int flags)
{
    return real_of(f)->pMethods->xShmLock(real_of(f), at, n, flags);
}

static void do_shm_barrier(sqlite3_file *f)
{
    real_of(f)->pMethods->xShmBarrier(real_of(f));
}

static int do_shm_unmap(sqlite3_file *f, int remove_it)
{
    return real_of(f)->pMethods->xShmUnmap(real_of(f), remove_it);
}

static const sqlite3_io_methods methods = {
    .iVersion = 2, // without memory-mapped reading, which would go past this door
    .xClose = do_close,
    .xRead = do_read,
    .xWrite = do_write,
    .xTruncate = do_truncate,
    .xSync = do_sync,
    .xFileSize = do_size,
    .xLock = do_lock,
    .xUnlock = do_unlock,
    .xCheckReservedLock = do_check_lock,
    .xFileControl = do_control,
    .xSectorSize = do_sector,
    .xDeviceCharacteristics = do_traits,
    .xShmMap = do_shm_map,
    .xShmLock = do_shm_lock,
    .xShmBarrier = do_shm_barrier,
    .xShmUnmap = do_shm_unmap,
};

static int do_open(sqlite3_vfs *vfs, const char *path, sqlite3_file *f, int flags, int *out)
{
    struct shim_file *m = mine(f);
    int rc;
    (void)vfs;
    m->base.pMethods = NULL;
    m->real = (sqlite3_file *)(void *)(m + 1);
    if ((flags & SQLITE_OPEN_CREATE) && refuses()) {
        return fail_code == SQLITE_FULL ? SQLITE_FULL : SQLITE_CANTOPEN;
    }
    rc = real_vfs->xOpen(real_vfs, path, m->real, flags, out);
    if (rc == SQLITE_OK) {
        snprintf(m->name, sizeof m->name, "%s", path ? last_part(path) : "");
        m->base.pMethods = &methods;
    }
    return rc;
}

static int do_delete(sqlite3_vfs *vfs, const char *path, int sync_folder)
{
    int rc;
    (void)vfs;
    rc = refuses() ? SQLITE_IOERR_DELETE : real_vfs->xDelete(real_vfs, path, sync_folder);
    if (rc == SQLITE_OK) {
        take(DELETE, last_part(path), sync_folder, NULL, 0);
    }
    return rc;
}

void fault_vfs_install(void)
{
    hc_assert(sqlite3_initialize() == SQLITE_OK);
    real_vfs = sqlite3_vfs_find(NULL);
    shim = *real_vfs;
    shim.zName = "faults";
    shim.pNext = NULL;
    shim.szOsFile = (int)sizeof(struct shim_file) + real_vfs->szOsFile;
    shim.xOpen = do_open;
    shim.xDelete = do_delete;
    hc_assert(sqlite3_vfs_register(&shim, 1) == SQLITE_OK);
}

// ---- the film

void fault_vfs_film_start(void)
{
    is_filming = true;
}

void fault_vfs_film_stop(void)
{
    is_filming = false;
}

void fault_vfs_film_clear(void)
{
    for (size_t i = 0; i < film_n; i++) {
        free(film[i].data);
    }
    free(film);
    film = NULL;
    film_n = film_room = 0;
}

size_t fault_vfs_film_length(void)
{
    return film_n;
}

struct content {
    unsigned char *p;
    size_t n;
};

struct replay {
    char name[64];
    bool is_there, was_there; // now; when last certain to be on the disk
    struct content now, safe; // as the process saw it; as the disk is certain to hold it
    size_t since[4096];       // steps after the last sync
    size_t n_since;
};

static void resize(struct content *c, size_t n)
{
    if (n > c->n) {
        c->p = realloc(c->p, n);
        hc_assert(c->p);
        memset(c->p + c->n, 0, n - c->n);
    }
    c->n = n;
}

static void set_to(struct content *to, const struct content *from)
{
    to->n = 0;
    resize(to, from->n);
    if (from->n) {
        memcpy(to->p, from->p, from->n);
    }
}

static void put(struct content *c, const struct step *s, int from, int bytes)
{
    size_t end = (size_t)s->at + (size_t)(from + bytes);
    if (c->n < end) {
        resize(c, end);
    }
    memcpy(c->p + s->at + from, s->data + from, (size_t)bytes);
}

static void load(struct replay *f, const char *folder)
{
    char path[4200];
    unsigned char block[4096];
    size_t n;
    FILE *in;
    snprintf(path, sizeof path, "%s/%s", folder, f->name);
    in = fopen(path, "rb");
    f->is_there = f->was_there = in != NULL;
    while (in && (n = fread(block, 1, sizeof block, in)) > 0) {
        size_t at = f->now.n;
        resize(&f->now, at + n);
        memcpy(f->now.p + at, block, n);
    }
    if (in) {
        fclose(in);
    }
    set_to(&f->safe, &f->now);
}

static void store(const struct replay *f, const struct content *c, bool is_there,
                  const char *folder)
{
    char path[4200];
    FILE *out;
    snprintf(path, sizeof path, "%s/%s", folder, f->name);
    if (!is_there) {
        remove(path);
        return;
    }
    out = fopen(path, "wb");
    hc_assert(out && fwrite(c->p ? c->p : (const unsigned char *)"", 1, c->n, out) == c->n);
    fclose(out);
}

static struct replay *find(struct replay *files, int *n, const char *name, const char *folder)
{
    for (int i = 0; i < *n; i++) {
        if (strcmp(files[i].name, name) == 0) {
            return &files[i];
        }
    }
    hc_assert(*n < FILES);
    memset(&files[*n], 0, sizeof files[*n]);
    snprintf(files[*n].name, sizeof files[*n].name, "%s", name);
    load(&files[*n], folder);
    return &files[(*n)++];
}

static void run_step(struct replay *f, size_t i)
{
    const struct step *s = &film[i];
    if (s->kind == SYNC) {
        set_to(&f->safe, &f->now);
        f->was_there = f->is_there;
        f->n_since = 0;
        return;
    }
    if (s->kind == DELETE) {
        f->is_there = false;
        f->now.n = 0;
        if (s->at) { // with its folder synced
            f->was_there = false;
            f->safe.n = 0;
            f->n_since = 0;
            return;
        }
    } else if (s->kind == TRUNCATE) {
        resize(&f->now, (size_t)s->at);
    } else {
        f->is_there = true;
        put(&f->now, s, 0, s->bytes);
    }
    hc_assert(f->n_since < sizeof f->since / sizeof f->since[0]);
    f->since[f->n_since++] = i;
}

// On top of what is certain, each unsynced step happened or not, in any mixture.
static void cut(struct replay *f, const char *folder, struct hc_rng *r)
{
    bool is_there = f->was_there;
    for (size_t k = 0; k < f->n_since; k++) {
        const struct step *s = &film[f->since[k]];
        if (s->kind == WRITE) {
            for (int from = 0; from < s->bytes; from += SECTOR) {
                int bytes = s->bytes - from < SECTOR ? s->bytes - from : SECTOR;
                if (hc_rng_below(r, 2)) {
                    put(&f->safe, s, from, bytes);
                    is_there = true;
                }
            }
        } else if (hc_rng_below(r, 2)) {
            if (s->kind == DELETE) {
                is_there = false;
                f->safe.n = 0;
            } else {
                resize(&f->safe, (size_t)s->at);
            }
        }
    }
    store(f, &f->safe, is_there, folder);
}

void fault_vfs_film_play(const char *folder, size_t steps, struct hc_rng *r)
{
    struct replay *files = calloc(FILES, sizeof *files);
    int n = 0;
    hc_assert(files && steps <= film_n);
    for (size_t i = 0; i < steps; i++) {
        run_step(find(files, &n, film[i].name, folder), i);
    }
    for (int i = 0; i < n; i++) {
        cut(&files[i], folder, r);
        free(files[i].now.p);
        free(files[i].safe.p);
    }
    free(files);
}
