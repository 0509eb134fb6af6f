unit_test(e2e_chain_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/e2e/chain_test.c LINKS harness client)
unit_test(e2e_tcp_chain_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/e2e/tcp_chain_test.c LINKS tcp_bench)
# Scaled time over sockets: one at a time, or a busy machine spoils them.
set_tests_properties(e2e_tcp_chain_test PROPERTIES LABELS "e2e;threads" RUN_SERIAL ON)
