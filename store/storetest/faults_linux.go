package storetest

import (
	"os"
	"os/exec"
	"runtime"
	"syscall"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Calls that a disk can fail. Plain write is not among them: the test itself logs by it.
var (
	Syncs  = []uint32{unix.SYS_FDATASYNC, unix.SYS_FSYNC}
	Writes = []uint32{unix.SYS_PWRITE64, unix.SYS_FTRUNCATE, unix.SYS_FDATASYNC, unix.SYS_FSYNC}
)

// Failing runs f on a thread whose calls of the kernel the kernel itself refuses with errno: what f does to a file fails
// as a disk fails it, and what other goroutines do meanwhile, or anybody later, does not. f must not start goroutines to
// do it.
func Failing(t testing.TB, calls []uint32, errno syscall.Errno, f func()) {
	t.Helper()
	done := make(chan error, 1)
	go func() {
		runtime.LockOSThread() // and never unlocked: the thread ends with the goroutine
		err := filter(calls, errno)
		if err == nil {
			f()
		}
		done <- err
	}()
	if err := <-done; err != nil {
		left(t, "a thread whose calls fail (seccomp)", err)
	}
}

// filter lets this thread's calls fail: seccomp(2), in the language of the classic packet filter.
func filter(calls []uint32, errno syscall.Errno) error {
	program := []unix.SockFilter{{Code: unix.BPF_LD | unix.BPF_W | unix.BPF_ABS, K: 0}} // the number of the call
	for i, call := range calls {
		program = append(program, unix.SockFilter{Code: unix.BPF_JMP | unix.BPF_JEQ | unix.BPF_K, Jt: uint8(len(calls) - i), K: call})
	}
	program = append(program,
		unix.SockFilter{Code: unix.BPF_RET | unix.BPF_K, K: unix.SECCOMP_RET_ALLOW},
		unix.SockFilter{Code: unix.BPF_RET | unix.BPF_K, K: unix.SECCOMP_RET_ERRNO | uint32(errno)})
	if err := unix.Prctl(unix.PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0); err != nil {
		return err
	}
	p := unix.SockFprog{Len: uint16(len(program)), Filter: &program[0]}
	return unix.Prctl(unix.PR_SET_SECCOMP, unix.SECCOMP_MODE_FILTER, uintptr(unsafe.Pointer(&p)), 0, 0)
}

const onSmallDisk = "RINGWARDEN_TEST_DISK"

// SmallDisk runs body with a folder on a disk of its own of so many KiB, which nobody else sees: in a child process with
// its own mounts, so it must be the whole of the test.
func SmallDisk(t *testing.T, kib string, body func(folder string)) {
	t.Helper()
	if folder := os.Getenv(onSmallDisk); folder != "" {
		if err := syscall.Mount("", "/", "", syscall.MS_PRIVATE|syscall.MS_REC, ""); err != nil {
			t.Fatalf("keeping the mounts private: %v", err)
		}
		if err := syscall.Mount("small", folder, "tmpfs", 0, "size="+kib+"k"); err != nil {
			t.Fatalf("mounting a small disk: %v", err)
		}
		body(folder)
		return
	}
	c := exec.Command(os.Args[0], "-test.run=^"+t.Name()+"$", "-test.v")
	c.Env = append(os.Environ(), onSmallDisk+"="+t.TempDir())
	c.SysProcAttr = &syscall.SysProcAttr{Cloneflags: syscall.CLONE_NEWNS}
	if os.Getuid() != 0 {
		c.SysProcAttr.Cloneflags |= syscall.CLONE_NEWUSER
		c.SysProcAttr.UidMappings = []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getuid(), Size: 1}}
		c.SysProcAttr.GidMappings = []syscall.SysProcIDMap{{ContainerID: 0, HostID: os.Getgid(), Size: 1}}
	}
	out, err := c.CombinedOutput()
	if len(out) == 0 && err != nil {
		left(t, "a process with its own mounts", err)
	}
	t.Logf("%s", out)
	if err != nil {
		t.Fatal(err)
	}
}

// left leaves a test out where the machine cannot do it, and fails it where it must.
func left(t testing.TB, what string, err error) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf("this machine gives no %s: %v", what, err)
	}
	t.Skipf("left out: this machine gives no %s: %v", what, err)
}
