/* A device that fails and loses power, put under the program by LD_PRELOAD (tests/power_loss.py).
 *
 * It follows what is done to the files of one SQLite store: the database, its write-ahead log, its rollback journal. What was
 * written reaches the file at once, as it does in the system's cache, and beside it stands what the device surely holds: the
 * content of each file at its last fsync, and the names in the folder at the folder's last fsync. When the power goes, each file
 * is made of that, and of what chance keeps of the writes since: none, all, the first few, some of them, or some of their sectors
 * of 512 bytes. A failing fsync loses what waited for it, and a later one does not bring it back, as on Linux.
 *
 *   POWER_FILE   the database's file, by its whole path
 *   POWER_STATE  a file of 64 bytes for who watches: calls so far, faults so far, at byte 24 writes of the
 *                database itself, all of 8 bytes; 1 at byte 16 mends the device, 1 at
 *                byte 32 cuts the power at the next call
 *   POWER_SEED   the seed of chance
 *   POWER_FAULT  KIND:CALL[:on],... with KIND cut, eio, enospc, short or fsync. The fault comes at that call, a change of one of
 *                the files or an fsync, or the next one that it can befall; once, or with "on" from then on
 *   POWER_LIES   1: the device says that what waits is safe and keeps none of it: what a store must not survive
 */
#define _GNU_SOURCE
#include <errno.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <sys/stat.h>
#include <sys/syscall.h>
#include <unistd.h>

enum { SECTOR = 512, NAMES = 3, FAULTS = 4 };

struct op { off_t at; size_t len; char *data; }; /* A write; without data the new length of the file is `at`. */

struct file {
    struct file *next;
    int name;
    ino_t inode;
    char *safe;
    size_t safe_len;
    struct op *ops;
    size_t count, room;
};

struct entry { int unlinked; struct file *file; }; /* A change of the folder that waits for its fsync. */

enum kind { CUT, EIO_, ENOSPC_, SHORT, FSYNC };
static const char *const KINDS[] = {"cut", "eio", "enospc", "short", "fsync"};
struct fault { enum kind kind; uint64_t call; int on, over; };

static const char *const ENDINGS[NAMES] = {"", "-wal", "-journal"};
static char names[NAMES][4096], folder[4096];
static struct file *files, *now_at[NAMES];
static ino_t safe_inode[NAMES];
static struct entry entries[64];
static size_t entry_count;
static struct fault faults[FAULTS];
static size_t fault_count;
static volatile uint64_t *state;
static uint64_t chance_state;
static int lies, watching;
static pthread_mutex_t lock = PTHREAD_MUTEX_INITIALIZER;

static void must(int is_so, const char *what) {
    if (!is_so) {
        dprintf(2, "tests/power/device.c: %s: %s\n", what, strerror(errno));
        _exit(98);
    }
}

static uint64_t chance(void) { /* splitmix64 */
    uint64_t z = chance_state += 0x9e3779b97f4a7c15u;
    z = (z ^ z >> 30) * 0xbf58476d1ce4e5b9u;
    z = (z ^ z >> 27) * 0x94d049bb133111ebu;
    return z ^ z >> 31;
}

static ino_t inode_of(const char *path) {
    struct stat is;
    return stat(path, &is) == 0 ? is.st_ino : 0;
}

__attribute__((constructor)) static void begin(void) {
    const char *file = getenv("POWER_FILE"), *told = getenv("POWER_STATE"), *seed = getenv("POWER_SEED");
    if (!file || !told) return;
    for (int name = 0; name < NAMES; name++) {
        snprintf(names[name], sizeof names[name], "%s%s", file, ENDINGS[name]);
        safe_inode[name] = inode_of(names[name]);
    }
    snprintf(folder, sizeof folder, "%s", file);
    must(strrchr(folder, '/') != NULL, "POWER_FILE is no whole path");
    *strrchr(folder, '/') = 0;
    int fd = open(told, O_RDWR);
    state = mmap(NULL, 64, PROT_READ | PROT_WRITE, MAP_SHARED, fd, 0);
    must(state != MAP_FAILED, "POWER_STATE");
    close(fd);
    chance_state = seed ? strtoull(seed, NULL, 10) : 0;
    lies = getenv("POWER_LIES") != NULL;
    char list[256] = "", *rest = list;
    if (getenv("POWER_FAULT")) snprintf(list, sizeof list, "%s", getenv("POWER_FAULT"));
    for (char *one; (one = strsep(&rest, ",")) && *one;) {
        char kind[16] = "", on[4] = "";
        unsigned long long call = 0;
        must(fault_count < FAULTS && sscanf(one, "%15[^:]:%llu:%3s", kind, &call, on) >= 2, "POWER_FAULT");
        struct fault *fault = &faults[fault_count++];
        int found = 0;
        for (int k = CUT; k <= FSYNC; k++)
            if (!strcmp(kind, KINDS[k])) fault->kind = k, found = 1;
        must(found, "POWER_FAULT names no fault");
        fault->call = call;
        fault->on = !strcmp(on, "on");
    }
    watching = 1;
}

/* The file's name among the three, NAMES for the folder, -1 for anything else. */
static int name_of(int fd) {
    if (!watching) return -1;
    char link[64], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t len = readlink(link, path, sizeof path - 1);
    if (len < 0) return -1;
    path[len] = 0;
    if (!strcmp(path, folder)) return NAMES;
    for (int name = 0; name < NAMES; name++)
        if (!strcmp(path, names[name])) return name;
    return -1;
}

/* The file as the device knows it; on first sight what stands in it is safe. */
static struct file *seen(int fd, int name) {
    struct stat is;
    must(fstat(fd, &is) == 0, "fstat");
    struct file *file = now_at[name];
    if (file && file->inode == is.st_ino) return file;
    file = calloc(1, sizeof *file);
    file->name = name;
    file->inode = is.st_ino;
    file->safe_len = (size_t)is.st_size;
    file->safe = malloc(file->safe_len + 1);
    int again = open(names[name], O_RDONLY | O_CLOEXEC);
    must(again >= 0, names[name]);
    for (size_t at = 0; at < file->safe_len;) {
        ssize_t got = pread(again, file->safe + at, file->safe_len - at, (off_t)at);
        must(got > 0, "reading what is safe");
        at += (size_t)got;
    }
    close(again);
    file->next = files;
    files = now_at[name] = file;
    if (is.st_ino != safe_inode[name]) {
        must(entry_count < sizeof entries / sizeof *entries, "too many changes of the folder");
        entries[entry_count++] = (struct entry){0, file};
    }
    return file;
}

static void apply(char **data, size_t *len, const struct op *op, size_t from, size_t to) {
    size_t end = op->data ? (size_t)op->at + to : (size_t)op->at;
    if (!op->data || end > *len) {
        *data = realloc(*data, end + 1);
        if (end > *len) memset(*data + *len, 0, end - *len);
        *len = end;
    }
    if (op->data) memcpy(*data + op->at + from, op->data + from, to - from);
}

static void forget(struct file *file) {
    for (size_t i = 0; i < file->count; i++) free(file->ops[i].data);
    file->count = 0;
}

/* What waited is on the device now. */
static void settle(struct file *file) {
    for (size_t i = 0; i < file->count; i++) apply(&file->safe, &file->safe_len, &file->ops[i], 0, file->ops[i].len);
    forget(file);
}

static void note(struct file *file, off_t at, const void *data, size_t len) {
    if (file->count == file->room) {
        file->room = file->room ? 2 * file->room : 64;
        file->ops = realloc(file->ops, file->room * sizeof *file->ops);
    }
    char *copy = NULL;
    if (data) copy = memcpy(malloc(len + 1), data, len);
    file->ops[file->count++] = (struct op){at, data ? len : 0, copy};
}

/* Sectors of a write, each kept or not. */
static void tear(char **data, size_t *len, const struct op *op) {
    for (size_t from = 0; from < op->len;) {
        size_t to = from + SECTOR - ((size_t)op->at + from) % SECTOR;
        if (to > op->len) to = op->len;
        if (chance() & 1) apply(data, len, op, from, to);
        from = to;
    }
    if (!op->data && chance() & 1) apply(data, len, op, 0, 0);
}

static void what_is_left(struct file *file) {
    char *data = memcpy(malloc(file->safe_len + 1), file->safe, file->safe_len);
    size_t len = file->safe_len;
    uint64_t how = chance() % 5;
    size_t first = file->count ? chance() % file->count : 0;
    for (size_t i = 0; i < file->count; i++) {
        const struct op *op = &file->ops[i];
        int whole = how == 1 || (how == 2 && i < first) || (how == 3 && chance() & 1);
        if (whole) apply(&data, &len, op, 0, op->len);
        else if (how == 4 || (how == 2 && i == first)) tear(&data, &len, op);
    }
    int fd = open(names[file->name], O_RDWR | O_CREAT | O_CLOEXEC, 0600);
    must(fd >= 0 && syscall(SYS_ftruncate, fd, (off_t)len) == 0, names[file->name]);
    for (size_t at = 0; at < len;) {
        long put = syscall(SYS_pwrite64, fd, data + at, len - at, (off_t)at);
        must(put > 0, "writing what is left");
        at += (size_t)put;
    }
    dprintf(2, "power lost: %s: %zu changes were not safe, kept by %c; %zu bytes are left\n", names[file->name], file->count,
            "0apcs"[how], len);
}

static void lose_power(void) {
    size_t kept = chance() % (entry_count + 1);
    while (entry_count > kept) {
        struct entry *entry = &entries[--entry_count];
        now_at[entry->file->name] = entry->unlinked ? entry->file : NULL;
        if (!entry->unlinked) syscall(SYS_unlink, names[entry->file->name]);
    }
    for (int name = 0; name < NAMES; name++)
        if (now_at[name]) what_is_left(now_at[name]);
    _exit(99);
}

/* Counts a call and says which fault befalls it, if any; -1 for none. `kinds` are those that can. */
static int befalls(unsigned kinds) {
    uint64_t call = ++state[0];
    if (state[4]) return CUT;
    if (state[2]) return -1;
    for (size_t i = 0; i < fault_count; i++) {
        struct fault *fault = &faults[i];
        if (call < fault->call || fault->over || !(kinds >> fault->kind & 1)) continue;
        fault->over = !fault->on;
        state[1]++;
        return fault->kind;
    }
    return -1;
}

static ssize_t written(int fd, const void *data, size_t len, off_t at) {
    int name = name_of(fd);
    if (name < 0 || name == NAMES) return syscall(SYS_pwrite64, fd, data, len, at);
    pthread_mutex_lock(&lock);
    struct file *file = seen(fd, name);
    state[3] += name == 0;
    int fault = befalls(1u << CUT | 1u << EIO_ | 1u << ENOSPC_ | 1u << SHORT);
    ssize_t done = -1;
    if (fault == EIO_) errno = EIO;
    else if (fault == ENOSPC_) errno = ENOSPC;
    else {
        if (fault == SHORT && len > 1) len /= 2;
        note(file, at, data, len);
        if (fault == CUT) lose_power();
        done = syscall(SYS_pwrite64, fd, data, len, at);
        must(done == (ssize_t)len, "the real device failed");
    }
    int error = errno;
    pthread_mutex_unlock(&lock);
    errno = error;
    return done;
}

ssize_t pwrite(int fd, const void *data, size_t len, off_t at) { return written(fd, data, len, at); }
ssize_t pwrite64(int fd, const void *data, size_t len, off_t at) { return written(fd, data, len, at); }

ssize_t write(int fd, const void *data, size_t len) {
    int name = name_of(fd);
    must(name < 0 || name == NAMES, "a file of the store is written by write(2), which is not followed");
    return syscall(SYS_write, fd, data, len);
}

static int cut_to(int fd, off_t len) {
    int name = name_of(fd);
    if (name < 0 || name == NAMES) return (int)syscall(SYS_ftruncate, fd, len);
    pthread_mutex_lock(&lock);
    struct file *file = seen(fd, name);
    int fault = befalls(1u << CUT | 1u << EIO_), done = -1;
    if (fault == EIO_) errno = EIO;
    else {
        note(file, len, NULL, 0);
        if (fault == CUT) lose_power();
        done = (int)syscall(SYS_ftruncate, fd, len);
    }
    int error = errno;
    pthread_mutex_unlock(&lock);
    errno = error;
    return done;
}

int ftruncate(int fd, off_t len) { return cut_to(fd, len); }
int ftruncate64(int fd, off_t len) { return cut_to(fd, len); }

static int make_safe(int fd, long how) {
    int name = name_of(fd);
    if (name < 0) return (int)syscall(how, fd);
    pthread_mutex_lock(&lock);
    int fault = befalls(1u << CUT | (name == NAMES ? 0 : 1u << FSYNC)), done = 0;
    if (fault == CUT) lose_power();
    if (name == NAMES) {
        if (!lies) {
            entry_count = 0;
            for (int each = 0; each < NAMES; each++) safe_inode[each] = inode_of(names[each]);
        }
    } else if (fault == FSYNC) {
        forget(seen(fd, name));
        done = -1;
    } else if (!lies) settle(seen(fd, name));
    pthread_mutex_unlock(&lock);
    if (done) errno = EIO;
    return done;
}

int fsync(int fd) { return make_safe(fd, SYS_fsync); }
int fdatasync(int fd) { return make_safe(fd, SYS_fdatasync); }

int unlink(const char *path) {
    for (int name = 0; watching && name < NAMES; name++) {
        if (strcmp(path, names[name])) continue;
        pthread_mutex_lock(&lock);
        int fault = befalls(1u << CUT);
        int fd = open(path, O_RDONLY | O_CLOEXEC);
        if (fd >= 0) {
            must(entry_count < sizeof entries / sizeof *entries, "too many changes of the folder");
            entries[entry_count++] = (struct entry){1, seen(fd, name)};
            now_at[name] = NULL;
            close(fd);
        }
        int done = (int)syscall(SYS_unlink, path), error = errno;
        if (fault == CUT) lose_power();
        pthread_mutex_unlock(&lock);
        errno = error;
        return done;
    }
    return (int)syscall(SYS_unlink, path);
}
