unit_test(faults_chain_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/faults/chain_faults_test.c LINKS harness)
unit_test(faults_tcp_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/faults/tcp_faults_test.c LINKS tcp_bench)
unit_test(faults_threads_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/faults/threads_test.c LINKS tcp_bench runtime)
set_tests_properties(faults_tcp_test faults_threads_test PROPERTIES LABELS "e2e")
unit_test(faults_capture_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/faults/capture_test.c LINKS replay_check record)
unit_test(faults_still_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/faults/still_test.c LINKS harness)
# Fifty whole runs, one for each fault in each place: ten seconds of processor time.
unit_test(faults_table_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/faults/fault_table_test.c LINKS harness)
set_tests_properties(faults_table_test PROPERTIES TIMEOUT 400)
# A file system of its own on a loop device, frozen and written to; a shim that lets the computer seem to sleep.
unit_test(faults_disk_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/faults/slow_disk_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/support/loop_disk.c LINKS tcp_bench journal)
unit_test(faults_suspend_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/faults/suspend_test.c LINKS tcp_bench)
target_compile_definitions(faults_suspend_test PRIVATE SLEEP_SHIM_PATH="$<TARGET_FILE:sleep_shim>")
add_dependencies(faults_suspend_test sleep_shim)
set_tests_properties(faults_disk_test faults_suspend_test PROPERTIES LABELS "e2e" SKIP_RETURN_CODE 77 TIMEOUT 300)
