/* What a process writes to the files of one folder, in order, and when it has them synced: so that a test
   can tell what a disk would hold if the power went at any moment. Loaded with LD_PRELOAD.

   UNSYNCED_FOLDER: whose files. UNSYNCED_LOG: where it is told, as records of
   { operation, length of the name, offset, length of the data }, the name, the data. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <fcntl.h>
#include <pthread.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/types.h>
#include <sys/uio.h>
#include <unistd.h>

struct record { uint32_t operation, name; uint64_t offset, data; };
enum { WRITE = 1, TRUNCATE = 2, SYNC = 3 };

static pthread_mutex_t turn = PTHREAD_MUTEX_INITIALIZER;
static int told = -1;

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

static void tell(int fd, uint32_t operation, uint64_t offset, const void *data, uint64_t length) {
    const char *folder = getenv("UNSYNCED_FOLDER"), *log = getenv("UNSYNCED_LOG");
    char link[64], name[4096];
    if (!folder || !log) return;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t size = readlink(link, name, sizeof name - 1);
    if (size <= 0) return;
    name[size] = 0;
    if (strncmp(name, folder, strlen(folder))) return;
    if (told < 0) told = open(log, O_WRONLY | O_CREAT | O_APPEND, 0644);
    struct record record = { operation, (uint32_t)size, offset, length };
    struct iovec parts[3] = {
        { &record, sizeof record }, { name, (size_t)size }, { (void *)data, length } };
    if (writev(told, parts, length ? 3 : 2) < 0) abort();
}

/* The log's order is the order of the operations; a sync is told when it is done. */
#define TOLD(type, call, ok, ...) \
    pthread_mutex_lock(&turn); type done = call; if (ok) tell(__VA_ARGS__); \
    pthread_mutex_unlock(&turn); return done;

ssize_t pwrite64(int fd, const void *data, size_t n, off64_t at) {
    TOLD(ssize_t, REAL(pwrite64)(fd, data, n, at), done > 0, fd, WRITE, at, data, done) }
ssize_t pwrite(int fd, const void *data, size_t n, off_t at) {
    TOLD(ssize_t, REAL(pwrite)(fd, data, n, at), done > 0, fd, WRITE, at, data, done) }
ssize_t write(int fd, const void *data, size_t n) {
    TOLD(ssize_t, REAL(write)(fd, data, n), done > 0,
         fd, WRITE, lseek(fd, 0, SEEK_CUR) - done, data, done) }
int ftruncate64(int fd, off64_t size) {
    TOLD(int, REAL(ftruncate64)(fd, size), !done, fd, TRUNCATE, size, 0, 0) }
int ftruncate(int fd, off_t size) {
    TOLD(int, REAL(ftruncate)(fd, size), !done, fd, TRUNCATE, size, 0, 0) }
int fsync(int fd) { TOLD(int, REAL(fsync)(fd), !done, fd, SYNC, 0, 0, 0) }
int fdatasync(int fd) { TOLD(int, REAL(fdatasync)(fd), !done, fd, SYNC, 0, 0, 0) }
