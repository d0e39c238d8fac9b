/* A plugin for qemu 7.2 that counts the instructions a program carries out.
 *
 * Whenever the program asks the system for a priority (getpriority, by which nothing happens),
 * the count so far is written to the file named by out=FILE, 8 bytes in the order of this
 * machine, where the program may read it. The declarations are those of qemu's qemu-plugin.h
 * (API version 1), which Debian does not package. Counts are right for one thread.
 */
#include <fcntl.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <unistd.h>

typedef uint64_t qemu_plugin_id_t;
struct qemu_plugin_tb;
struct qemu_info_t;
enum qemu_plugin_op { QEMU_PLUGIN_INLINE_ADD_U64 };
size_t qemu_plugin_tb_n_insns(const struct qemu_plugin_tb *tb);
void qemu_plugin_register_vcpu_tb_trans_cb(
    qemu_plugin_id_t id, void (*call)(qemu_plugin_id_t, struct qemu_plugin_tb *));
void qemu_plugin_register_vcpu_tb_exec_inline(
    struct qemu_plugin_tb *tb, enum qemu_plugin_op op, void *at, uint64_t add);
void qemu_plugin_register_vcpu_syscall_cb(
    qemu_plugin_id_t id,
    void (*call)(qemu_plugin_id_t, unsigned, int64_t, uint64_t, uint64_t, uint64_t, uint64_t,
                 uint64_t, uint64_t, uint64_t, uint64_t));

int qemu_plugin_version = 1;

/* arch/arm64: include/uapi/asm-generic/unistd.h of Linux. */
enum { GETPRIORITY = 141 };

static uint64_t count;
static int out = -1;

static void translated(qemu_plugin_id_t id, struct qemu_plugin_tb *tb)
{
    (void)id;
    qemu_plugin_register_vcpu_tb_exec_inline(
        tb, QEMU_PLUGIN_INLINE_ADD_U64, &count, qemu_plugin_tb_n_insns(tb));
}

static void called(qemu_plugin_id_t id, unsigned cpu, int64_t number, uint64_t a, uint64_t b,
                   uint64_t c, uint64_t d, uint64_t e, uint64_t f, uint64_t g, uint64_t h)
{
    (void)id, (void)cpu, (void)a, (void)b, (void)c, (void)d, (void)e, (void)f, (void)g, (void)h;
    if (number == GETPRIORITY && pwrite(out, &count, sizeof count, 0) != sizeof count)
        _exit(70);
}

int qemu_plugin_install(
    qemu_plugin_id_t id, const struct qemu_info_t *info, int argc, char **argv)
{
    (void)info;
    if (argc != 1 || strncmp(argv[0], "out=", 4))
        return -1;
    out = open(argv[0] + 4, O_WRONLY | O_CREAT | O_TRUNC, 0600);
    qemu_plugin_register_vcpu_tb_trans_cb(id, translated);
    qemu_plugin_register_vcpu_syscall_cb(id, called);
    return out < 0 ? -1 : 0;
}
