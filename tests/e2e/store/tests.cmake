unit_test(store_influx_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/e2e/store/store_influx_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/e2e/store/real_store.c ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_fixture.c
  LINKS uplink journal)
unit_test(store_victoria_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/e2e/store/store_victoria_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/e2e/store/real_store.c ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_fixture.c
  LINKS uplink journal)
unit_test(store_answers_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/e2e/store/store_answers_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/e2e/store/stand_in_store.c ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal/journal_fixture.c
  LINKS uplink journal)
unit_test(store_chain_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/e2e/store/store_chain_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/e2e/store/real_store.c LINKS tcp_bench journal)
unit_test(store_night_test SOURCES ${CMAKE_CURRENT_SOURCE_DIR}/e2e/store/night_drain_test.c
  ${CMAKE_CURRENT_SOURCE_DIR}/e2e/store/stand_in_store.c LINKS harness uplink journal)
foreach(package libcurl libmicrohttpd jansson zlib)
  if(NOT TARGET PkgConfig::${package})
    pkg_check_modules(${package} REQUIRED IMPORTED_TARGET GLOBAL ${package})
  endif()
endforeach()
foreach(t store_night_test store_influx_test store_victoria_test store_answers_test store_chain_test)
  target_include_directories(${t} PRIVATE ${CMAKE_CURRENT_SOURCE_DIR}/unit/journal)
  target_link_libraries(${t} PRIVATE PkgConfig::libcurl PkgConfig::libmicrohttpd PkgConfig::jansson PkgConfig::zlib)
endforeach()
set_tests_properties(store_influx_test store_victoria_test PROPERTIES LABELS e2e TIMEOUT 300)
set_tests_properties(store_chain_test PROPERTIES LABELS e2e SKIP_RETURN_CODE 77)
add_test(NAME store_influx_long COMMAND store_influx_test)
set_tests_properties(store_influx_long PROPERTIES LABELS long TIMEOUT 600 ENVIRONMENT SOAKBENCH_LONG=1)
set_tests_properties(store_night_test PROPERTIES LABELS e2e TIMEOUT 300)
add_test(NAME store_night_long COMMAND store_night_test)
set_tests_properties(store_night_long PROPERTIES LABELS long TIMEOUT 600 ENVIRONMENT SOAKBENCH_LONG=1)
